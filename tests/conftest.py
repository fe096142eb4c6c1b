"""One BLAS thread: the suite's matrices are small, and waiting threads only steal each other's
cores."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

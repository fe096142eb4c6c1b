# make demo and make test need nothing beforehand but Python 3.11 or newer: each makes .venv itself.

VENV ?= .venv
CONSTRAINTS := .ci/constraints.txt
NEW_ENOUGH := import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))
# the first Python on the path that is new enough and can make an environment
PYTHON ?= $(shell for python in python3 python3.13 python3.12 python3.11 python3.14 python; do \
	if $$python -c '$(NEW_ENOUGH)' >/dev/null 2>&1; then echo $$python; break; fi; done)
BIN := $(VENV)/bin
READY := $(VENV)/.ready

# the build backend, too, is held to the versions that are known to work
export PIP_CONSTRAINT := $(CONSTRAINTS)
export PIP_BUILD_CONSTRAINT := $(CONSTRAINTS)
export PIP_DISABLE_PIP_VERSION_CHECK := 1

.DEFAULT_GOAL := help
.PHONY: help demo test lint bench long fuzz samples pictures clean

help: ## say what can be made
	@grep -hE '^[a-z]+:.*##' $(MAKEFILE_LIST) | sed -E 's/:[^#]*## /\t/' | expand -t 12

$(READY): pyproject.toml $(CONSTRAINTS)
	@if [ -z "$(PYTHON)" ]; then \
		echo "no Python 3.11 or newer that can make environments was found;" \
			"install one (Debian: python3 and python3-venv), or say make PYTHON=/path/to/python" >&2; \
		exit 1; \
	fi
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --constraint $(CONSTRAINTS) --editable '.[test]'
	@touch $@

demo: $(READY) ## map and judge the scan that comes with midchord
	$(BIN)/midchord demo

test: $(READY) ## run the tests, a process for each core
	$(BIN)/python -m pytest -n auto --dist loadfile

lint: $(READY) ## check style and types
	$(BIN)/ruff check .
	$(BIN)/mypy

bench: $(READY) ## measure how fast the stages are
	@mkdir -p .benchmarks
	$(BIN)/python -m pytest benchmarks --benchmark-enable --benchmark-columns=min,median,stddev,rounds \
		--benchmark-json=.benchmarks/last.json

long: $(READY) ## run what takes long: many surveys, whole lites against truth (docs/accuracy.md)
	$(BIN)/python -m pytest -m long
	$(BIN)/python benchmarks/accuracy.py

fuzz: $(READY) ## read 20 000 damaged files through every adapter (docs/fuzz.md)
	OPENBLAS_NUM_THREADS=1 $(BIN)/python tests/fuzz.py

samples: $(READY) ## make sample-scans/ anew (moves numbers: say so in CHANGELOG.md)
	$(BIN)/python tests/make_samples.py

pictures: $(READY) ## draw the pictures of the README anew
	$(BIN)/python docs/make_pictures.py

clean: ## remove what was made here
	rm -rf $(VENV) build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis .benchmarks .fuzz

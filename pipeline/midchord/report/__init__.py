"""What people see of a result: pictures, pages, workbooks. The only place that rounds a number or
draws one."""

__all__: list[str] = []

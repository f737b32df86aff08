"""Plant files into the books: CSV and JSON as plants write them, all or nothing, twice is once.

`import_file` is the door. Each kind of file has a reader here; `rows` has the checks they share.
"""

from models.imports.run import KINDS, Report, import_file

__all__ = ["KINDS", "Report", "import_file"]

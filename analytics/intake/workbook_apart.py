"""Open a workbook in a process of its own: ``python -m analytics.intake.workbook_apart``.

Bytes of the workbook come in, a pickle of its sheets goes out. An XLS or ODS file can claim any
number of cells, and the library that opens it then asks for memory that nobody has and ends the
whole process. So it does that here, where only this process ends.
"""

from __future__ import annotations

import io
import pickle
import sys

from python_calamine import CalamineWorkbook

try:
    import resource
except ImportError:  # no such limits on this system
    resource = None  # type: ignore[assignment]

#: Address space that one workbook may take.
MOST_BYTES = 4 * 2**30


def main() -> None:
    """Write the rows of every sheet."""
    if resource is not None:
        resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    book = CalamineWorkbook.from_filelike(io.BytesIO(sys.stdin.buffer.read()))
    sheets = {
        name: book.get_sheet_by_name(name).to_python(skip_empty_area=False)
        for name in book.sheet_names
    }
    sys.stdout.buffer.write(pickle.dumps(sheets, protocol=pickle.HIGHEST_PROTOCOL))


if __name__ == "__main__":
    main()

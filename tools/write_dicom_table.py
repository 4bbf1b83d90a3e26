"""Write the table of what a DICOM Procedure Log holds into a Markdown file, between its two marks.

Example: python tools/write_dicom_table.py docs/dicom.md
"""

from __future__ import annotations

import sys
from pathlib import Path

from checkback.reporting.dicom.coverage import table

BEGIN = "<!-- dicom table: checkback.reporting.dicom.coverage -->\n\n"
END = "\n<!-- end of dicom table -->"

if __name__ == "__main__":
    path = Path(sys.argv[1])
    before, _, rest = path.read_text(encoding="utf-8").partition(BEGIN)
    after = rest.partition(END)[2]
    path.write_text(before + BEGIN + table() + END + after, encoding="utf-8")

"""Write the table of what a FHIR document holds into a Markdown file, between its two marks.

Example: python tools/write_fhir_table.py docs/fhir.md
"""

from __future__ import annotations

import sys
from pathlib import Path

from checkback.reporting.fhir.coverage import table

BEGIN = "<!-- fhir table: checkback.reporting.fhir.coverage -->\n\n"
END = "\n<!-- end of fhir table -->"

if __name__ == "__main__":
    path = Path(sys.argv[1])
    before, _, rest = path.read_text(encoding="utf-8").partition(BEGIN)
    after = rest.partition(END.strip("\n"))[2]
    path.write_text(before + BEGIN + table() + END + after, encoding="utf-8")

"""What a spreadsheet has made of the tables: cell for cell what Python's csv reads."""

import csv
import sys
from datetime import datetime
from decimal import Decimal
from pathlib import Path

from openpyxl import load_workbook

tables, sheets = Path(sys.argv[1]), Path(sys.argv[2])


def same(text, cell):
    """A number as a number, a date as a date, anything else as its text; an empty cell is none."""
    if cell is None:
        return text == ""
    if isinstance(cell, bool):
        return text == str(cell).lower()
    if isinstance(cell, datetime):
        return datetime.fromisoformat(text.replace("Z", "")) == cell
    if isinstance(cell, (int, float)):
        # A spreadsheet writes a number with 15 significant digits; all of them have to agree: half of the last one is
        # the most that rounding may take.
        number = Decimal(text)
        return abs(number - Decimal(repr(cell))) <= Decimal(5).scaleb(number.adjusted() - 15)
    return text == str(cell)


cells = 0
for sheet in sorted(sheets.glob("*.xlsx")):
    with open(tables / f"{sheet.stem}.csv", newline="", encoding="utf-8") as file:
        own = list(csv.reader(file))
    rows = load_workbook(sheet, read_only=True).active
    assert rows.max_row == len(own), (sheet.stem, rows.max_row, len(own))
    for n, (line, row) in enumerate(zip(own, rows.iter_rows(values_only=True), strict=True), 1):
        row = list(row) + [None] * (len(line) - len(row))
        for name, text, cell in zip(own[0], line, row):
            assert same(text, cell), (sheet.stem, n, name, text, cell)
            cells += 1
assert cells > 1000, cells
print(f"a spreadsheet shows the same {cells} cells")

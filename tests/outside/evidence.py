"""A bag of evidence as others read it: bagit, frictionless, csv, polars, pypdf, and qpdf's checks of a PDF."""

import csv
import io
import json
import subprocess
import sys
import zipfile
from datetime import datetime
from pathlib import Path

import bagit
import frictionless
import polars
from pypdf import PdfReader

import pdfa

bag, archive, foldwatch = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3]

bagit.Bag(str(bag)).validate()
report = frictionless.validate(str(bag / "data" / "datapackage.json"))
assert report.valid, report.to_summary()
tables = [task.name for task in report.tasks]
assert {"samples", "cycles", "phases", "measures", "findings", "calibration", "stretches", "chain", "service"} <= set(tables), tables
package = json.loads((bag / "data" / "datapackage.json").read_text())
units = {f["name"]: f.get("unit") for r in package["resources"] for f in r["schema"]["fields"]}
assert units["pressure_bar"] == "bar" and units["duration_s"] == "s", units



def one_row_a_moment(rows):
    """Edges of a moment together with each other and with its row."""
    moments, only_edges = [], False
    for row in rows:
        is_edge = row["record"] == "edge"
        if moments and moments[-1]["time_utc"] == row["time_utc"] and (is_edge or only_edges):
            moments[-1].update({column: value for column, value in row.items() if value})
            only_edges = only_edges and is_edge
        else:
            moments.append(dict(row))
            only_edges = is_edge
    return moments


# The same numbers as foldwatch's own export, read by Python's csv.
log = Path(__file__).parents[2] / "sample-logs/packed/four-cycles.bin.gz"
for table in ["samples", "findings", "phases"]:
    text = subprocess.run([foldwatch, "export", str(log), "--profile", "hardtop-five", "--table", table],
                          check=True, capture_output=True).stdout.decode()
    own = list(csv.DictReader(io.StringIO(text, newline="")))
    with open(bag / "data" / f"{table}.csv", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row.get("record", "row") in ("row", "edge")]
    # The bag keeps rows and edges apart, as they came; the export puts what belongs to one moment into one row.
    moments = one_row_a_moment(rows) if table == "samples" else rows
    assert len(own) == len(moments) > 0, (table, len(own), len(moments))
    for a, b in zip(own, moments):
        for column, value in a.items():
            state = {"on": "1", "off": "0"}.get(value, value)
            assert b[column] == state, (table, column, value, b[column])
    if table == "samples":
        numbers = [float(row["pressure_bar"]) for row in rows if row["pressure_bar"]]
        assert max(numbers) > 50
        for row in rows[:1000]:
            datetime.fromisoformat(row["time_utc"].replace("Z", "+00:00"))
# polars reads every table, and as text cell for cell what Python's csv reads; samples as numbers, too.
for table in tables:
    path = bag / "data" / f"{table}.csv"
    with open(path, newline="", encoding="utf-8") as file:
        own = list(csv.reader(file))
    frame = polars.read_csv(path, infer_schema_length=0)
    assert frame.columns == own[0] and frame.height == len(own) - 1, table
    assert [[cell or "" for cell in row] for row in frame.iter_rows()] == own[1:], table
frame = polars.read_csv(bag / "data" / "samples.csv", infer_schema_length=None, try_parse_dates=True)
assert frame.schema["pressure_bar"] == polars.Float64 and frame.schema["time_utc"].base_type() == polars.Datetime
assert frame["pressure_bar"].drop_nulls().to_list() == numbers

with open(bag / "data" / "service.csv", newline="") as file:
    assert list(csv.DictReader(file))[0]["subject"] == 'seals, "new"'


# The report: text can be selected, fonts are embedded, it is tagged, and says that it is PDF/A.
def look(data, width, height):
    seen = pdfa.check(data)
    reader = PdfReader(io.BytesIO(data))
    metadata = reader.trailer["/Root"]["/Metadata"].get_data()
    assert b"<pdfaid:part>2</pdfaid:part>" in metadata and b"<pdfaid:conformance>A</pdfaid:conformance>" in metadata
    assert reader.trailer["/Root"]["/Lang"] and "/StructTreeRoot" in reader.trailer["/Root"]
    figures = sum(1 for page in reader.pages for _ in page.get("/Annots", []))
    assert figures == 0, "an archivable report has no notes stuck to it"
    pages = [page.extract_text() for page in reader.pages]
    assert "For the engineer" in pages[1] and "For the engineer" not in pages[0], "the customer has one page"
    text = "\n".join(pages)
    assert "Evidence report" in text and "Caution" in text and "For the engineer" in text
    box = reader.pages[0].mediabox
    assert abs(float(box.width) - width) < 1 and abs(float(box.height) - height) < 1, box
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"], "not tagged"
    assert b"pdfaid" in root["/Metadata"].get_data()
    for page in reader.pages:
        for font in page["/Resources"].get("/Font", {}).values():
            for own in font.get_object().get("/DescendantFonts", []):
                descriptor = own.get_object()["/FontDescriptor"].get_object()
                assert any(key in descriptor for key in ("/FontFile", "/FontFile2", "/FontFile3")), "font not embedded"
    print("report:", len(pages), "pages,", ", ".join(f"{count} {what}" for what, count in seen.items()))
    return text


text = look((bag / "data" / "report.pdf").read_bytes(), 595.3, 841.9)
info = dict(line.split(": ", 1) for line in (bag / "bag-info.txt").read_text().splitlines())
assert info["Signer-Fingerprint"][:8] in text
with zipfile.ZipFile(archive) as packed:
    assert packed.testzip() is None
    look(packed.read("evidence/data/report.pdf"), 612, 792)
print("bagit, frictionless, csv, polars, pypdf and qpdf accept it:", ", ".join(tables))

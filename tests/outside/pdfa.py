"""What an archivable, tagged PDF (PDF/A-2, level A: ISO 19005-2, its demands from memory) has to be, as far as the
file's structure shows it. No full validator: glyphs are not measured against their widths, colours not followed."""

import io
import re

import pikepdf

FORBIDDEN = {"/JavaScript", "/Launch", "/Sound", "/Movie", "/ResetForm", "/ImportData", "/Hide", "/SetOCGState", "/Rendition",
             "/Trans", "/GoTo3DView"}
BLENDS = {"/Normal", "/Compatible", "/Multiply", "/Screen", "/Overlay", "/Darken", "/Lighten", "/ColorDodge", "/ColorBurn",
          "/HardLight", "/SoftLight", "/Difference", "/Exclusion", "/Hue", "/Saturation", "/Color", "/Luminosity"}


def check(data):
    """Counts what was looked at, so that nobody is pleased with an empty file."""
    seen = {"streams": 0, "fonts": 0, "figures": 0, "headings": 0, "cells": 0}
    lines = data.split(b"\n", 2)
    assert re.fullmatch(rb"%PDF-1\.[0-7]\r?", lines[0]), lines[0]
    assert lines[1].startswith(b"%") and sum(byte > 127 for byte in lines[1][:6]) >= 4, "no bytes beyond 127 behind the header"
    with pikepdf.open(io.BytesIO(data)) as pdf:
        problems = pdf.check_pdf_syntax() if hasattr(pdf, "check_pdf_syntax") else pdf.check()
        assert not problems, problems
        root = pdf.Root
        assert not pdf.is_encrypted and "/ID" in pdf.trailer, "encrypted, or without identity"
        assert root.MarkInfo.Marked and str(root.Lang) and "/AA" not in root
        assert not {"/JavaScript", "/EmbeddedFiles", "/AlternatePresentations"} & set(root.get("/Names", {}).keys())
        intents = [own for own in root.OutputIntents if own.S == "/GTS_PDFA1"]
        assert len(intents) == 1 and intents[0].DestOutputProfile.N in (1, 3, 4), "no output intent"
        assert intents[0].DestOutputProfile.read_bytes()[36:40] == b"acsp", "its profile is no ICC profile"
        with pdf.open_metadata() as about:
            assert about["pdfaid:part"] == "2" and about["pdfaid:conformance"] == "A", dict(about)
            assert about["dc:title"] == str(pdf.docinfo["/Title"]), "two titles"
            stamp = re.sub(r"[^0-9]", "", str(pdf.docinfo["/CreationDate"]))[:14]
            assert re.sub(r"[^0-9]", "", about["xmp:CreateDate"])[:14] == stamp, "two dates"
        for own in pdf.objects:
            if isinstance(own, pikepdf.Stream):
                seen["streams"] += 1
                filters = own.get("/Filter", [])
                assert "LZWDecode" not in str(filters) and not {"/F", "/FFilter"} & set(own.keys()), "a stream from elsewhere"
                if own.get("/Subtype") == "/Image":
                    assert not own.get("/Interpolate", False) and not {"/Alternates", "/OPI"} & set(own.keys())
                assert own.get("/Subtype") != "/PS"
            if not isinstance(own, (pikepdf.Dictionary, pikepdf.Stream)):
                continue
            assert own.get("/S") not in FORBIDDEN, own
            assert own.get("/Type") != "/Filespec", "a file within"
            if own.get("/Type") == "/ExtGState":
                assert "/TR" not in own and own.get("/BM", "/Normal") in BLENDS, own
            if own.get("/Type") == "/Font" and own.get("/Subtype") != "/CIDFontType0" and own.get("/Subtype") != "/CIDFontType2":
                seen["fonts"] += 1
                assert "/ToUnicode" in own, "text that can't be read back"
                part = own.DescendantFonts[0] if own.Subtype == "/Type0" else own
                if own.Subtype != "/Type3":
                    assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(part.FontDescriptor.keys()), "font not embedded"
            kind = str(own.get("/S", "")) if own.get("/Type", "/StructElem") == "/StructElem" and "/P" in own else ""
            if kind == "/Figure":
                seen["figures"] += 1
                assert str(own.get("/Alt", "")), "a picture without words"
            seen["headings"] += bool(re.fullmatch(r"/H[1-6]?|/Title", kind))
            seen["cells"] += kind in ("/TD", "/TH")
        for page in pdf.pages:
            assert "/StructParents" in page and "/AA" not in page, "a page that is not tagged"
    assert all(seen.values()), seen
    return seen

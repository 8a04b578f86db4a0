"""Every text that a plan brings: its files, the map's data, the sheet's words, the terminal."""

import contextlib
import io
import json
from pathlib import Path

import openpyxl
import pypdf

from siting.cli.main import _print_plan
from siting.handoff.bundle import write_bundle
from siting.handoff.document import plan_document
from siting.handoff.explain import explain_sensor
from siting.handoff.webmap import map_document


def all_texts(plan, folder: Path) -> dict[str, str]:
    """Write a plan's results and return name -> text."""
    found = {"map": json.dumps(map_document(plan), ensure_ascii=False, allow_nan=False)}
    for path in sorted(write_bundle(plan, folder)):
        if path.suffix == ".pdf":
            pages = pypdf.PdfReader(path).pages
            found[path.name] = "\n".join(page.extract_text() for page in pages)
        elif path.suffix == ".xlsx":
            sheets = openpyxl.load_workbook(path).worksheets
            rows = [row for sheet in sheets for row in sheet.iter_rows(values_only=True)]
            cells = [value for row in rows for value in row]
            found[path.name] = "\n".join(str(value) for value in cells if value is not None)
        elif path.suffix not in {".tif", ".gpkg", ".html"}:
            found[path.name] = path.read_text("utf-8")
    # What is printed, whoever gets it.
    papers = [found.pop(name) for name in ("crew.pdf", "owner.pdf", "office.pdf")]
    found["crew.pdf"] = "\n".join(papers)
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        _print_plan(plan, ())
    document = plan_document(plan)
    for tag in plan.sensors.index:
        topics = explain_sensor(document, str(tag))
        found[f"explain {tag}"] = "\n".join(words for topic in topics for words in topic.words)
    return found | {"terminal": said.getvalue()}

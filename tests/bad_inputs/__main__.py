"""Write the page of the corpus into the docs."""

import tempfile
from pathlib import Path

from tests.bad_inputs.table import PAGE, page

with tempfile.TemporaryDirectory() as scratch:
    text = page(Path(scratch))
PAGE.parent.mkdir(exist_ok=True)
PAGE.write_text(text, encoding="utf-8")

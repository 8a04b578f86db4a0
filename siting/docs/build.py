"""Build the documentation: ``python siting/docs/build.py OUT [--quick]``.

Copies the written pages, generates the others (validation table from the tests' own markers, API
from docstrings, commands from their help, keys of the property file and values of a plan from their
declarations,
gallery from `maps`, glossary and contributor guide from DEVELOPERS.md), builds with warnings as
errors, and follows every link of the result. ``--quick`` leaves the validation table out, which
takes a minute of tests.
"""

from __future__ import annotations

import ast
import importlib
import json
import re
import shutil
import subprocess
import sys
import tempfile
from html.parser import HTMLParser
from pathlib import Path
from typing import TYPE_CHECKING, get_origin
from urllib.parse import unquote, urlsplit

if TYPE_CHECKING:
    from siting.site.toml import Key

__all__ = ["broken_links", "build", "write_pages"]

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent


def write_pages(pages: Path, *, quick: bool) -> None:
    """Write every page, copied and generated.

    Parameters
    ----------
    pages : Path
        Folder; made.
    quick : bool
        Whether to leave the tests unrun.
    """
    shutil.copytree(HERE / "pages", pages)
    (pages / "pictures").mkdir()
    for picture in sorted((ROOT / "maps").glob("*.png")):
        shutil.copy(picture, pages / "pictures" / picture.name)
    extend = pages / "extend.md"
    extend.write_text(extend.read_text("utf-8").replace("=EXAMPLE=", _example()), "utf-8")
    developers = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    (pages / "changelog.md").write_text((ROOT / "CHANGELOG.md").read_text("utf-8"), "utf-8")
    for page, file in (("conduct", "CODE_OF_CONDUCT"), ("security", "SECURITY")):
        shutil.copy(ROOT / ".github" / f"{file}.md", pages / f"{page}.md")
    (pages / "glossary.md").write_text(_glossary(developers), "utf-8")
    (pages / "contribute.md").write_text(developers.replace("siting/docs/pages/", ""), "utf-8")
    (pages / "commands.md").write_text(_commands(), "utf-8")
    (pages / "keys.md").write_text(_keys(), "utf-8")
    (pages / "results.md").write_text(_results(), "utf-8")
    (pages / "plan.schema.json").write_text(_plan_schema(), "utf-8")
    (pages / "property.schema.json").write_text(_property_schema(), "utf-8")
    (pages / "gallery.md").write_text(_gallery(), "utf-8")
    corpus = (pages / "bad-inputs.md").read_text("utf-8")
    (pages / "bad-inputs-corpus.md.txt").write_text(corpus, "utf-8")
    (pages / "bad-inputs.md").write_text(_bad_inputs(corpus), "utf-8")
    (pages / "validation.md").write_text(_validation(quick=quick), "utf-8")
    _api(pages / "api")


def _example() -> str:
    """Return the files of the example package as code."""
    folder = ROOT / "tests" / "example_package"
    parts = []
    for name, language in (("pyproject.toml", "toml"), ("siting_example/__init__.py", "python")):
        text = (folder / name).read_text("utf-8").strip()
        parts.append(f"`{name}`:\n\n```{language}\n{text}\n```")
    return "\n\n".join(parts)


def _glossary(developers: str) -> str:
    """Return the glossary of the developers' page as a page of its own."""
    found = re.search(r"^## (Glossary.*?)(?=^## )", developers, re.MULTILINE | re.DOTALL)
    if found is None:
        sys.exit("DEVELOPERS.md has no glossary")
    return f"# {found[1]}"


def _commands() -> str:
    """Return the help of the program and of every command."""
    from click.testing import CliRunner

    from siting.cli.main import main

    parts = ["# The command line"]
    for words in ([], *([name] for name in sorted(main.commands))):
        shown = CliRunner().invoke(main, [*words, "--help"], prog_name="siting", terminal_width=96)
        title = " ".join(["siting", *words])
        parts.append(f"## {title}\n\n```text\n{shown.output.rstrip()}\n```")
    return "\n\n".join(parts) + "\n"


def _keys() -> str:
    """Return every key of the property file, as `siting.site.settings` declares it."""
    from siting.site.settings import EVIDENCE, TABLES, LayerSource, Table, keys

    layer = Table("layers.NAME", keys(LayerSource), "a layer whose file or columns are others'")
    parts = [
        "# Keys of the property file",
        "`siting new` writes a file that explains most of them. An editor that knows JSON Schema "
        "completes and checks them as you type: give it [property.schema.json]"
        "(property.schema.json); editors on the TOML language server take a first line "
        "`#:schema property.schema.json`.",
    ]
    for table in (*TABLES, EVIDENCE, layer):
        title = f"`[{table.name}]`: {table.says}" if table.name else "At the top of the file"
        rows = ["| key | meaning | allowed | where not given |", "|---|---|---|---|"]
        rows += [_key(key, table.default(key)) for key in table.keys]
        parts += [f"## {title.rstrip(': ')}", "\n".join(rows)]
    return "\n\n".join(parts) + "\n"


def _key(key: Key, default: object) -> str:
    """Return the row of a key."""
    first, *others = key.factors
    if len(others) > 3:  # noqa: PLR2004 - more than a row can take
        others = [f"…{name.removeprefix(key.name)}" for name in others]
    plain = key.kind in ("number", "word", "words", "flag", "text")
    example = "" if plain or not (key.shown or key.default) else f"as in `{key.example()}`"
    allowed = " ".join(filter(None, (key.allowed, key.unit)))
    cells = (
        ", ".join(f"`{name}`" for name in (first, *others)),
        key.says,
        ", ".join(filter(None, (allowed, example))),
        "required" if key.required else key.written(default),
    )
    return f"| {' | '.join(cells)} |"


def _results() -> str:
    """Return every value of a plan, as `siting.planning.tables` declares it."""
    from siting.planning.tables import RESULT, Column

    def rows(column: Column, path: str) -> list[str]:
        name = f"{path}{column.name}"
        unit = column.unit.replace("|", "/")
        cells = (f"`{name}`", column.says, unit, f"`{column.gis}`" if column.gis else "")
        found = [f"| {' | '.join(cells)} |"]
        mark = "[]" if column.kind == "records" else ""
        inner = column.of if column.kind in ("record", "records") else ()
        return found + [row for part in inner for row in rows(part, f"{name}{mark}.")]

    parts = [
        "# Values of a plan",
        "What `plan.json` holds, and under which name the layers of `plan.gpkg` show it; its "
        "[JSON Schema](plan.schema.json). Lengths in metres, water in cubic metres, money in the "
        "property's currency; what is not known is null.",
    ]
    head = ["| value | meaning | unit | in GIS layers |", "|---|---|---|---|"]
    for column in RESULT.of:
        parts += [f"## {column.name}", "\n".join([*head, *rows(column, "")])]
    return "\n\n".join(parts) + "\n"


def _plan_schema() -> str:
    """Return the schema of plan.json as a file."""
    from siting.handoff.document import plan_schema

    return json.dumps(plan_schema(), ensure_ascii=False, indent=2) + "\n"


def _property_schema() -> str:
    """Return the schema of a property file as a file."""
    from siting.site.template import property_schema

    return json.dumps(property_schema(), ensure_ascii=False, indent=2) + "\n"


def _gallery() -> str:
    """Return the gallery's own page, its pictures where the documentation keeps them."""
    text = (ROOT / "maps" / "README.md").read_text("utf-8")
    return re.sub(r"\]\((\w+-map\.png)\)", r"](pictures/\1)", text)


def _bad_inputs(corpus: str) -> str:
    """Return the page of bad inputs: limits, and each group's count; the cases are a download."""
    head, *groups = corpus.split("\n## ")
    rows = ["| group | cases | refused | repaired | handled |", "|---|---|---|---|---|"]
    for group in groups[1:]:
        done = re.findall(r"^\| .+? \| (refused|repaired|handled) \| ", group, re.MULTILINE)
        counts = " | ".join(str(done.count(word)) for word in ("refused", "repaired", "handled"))
        rows.append(f"| {group.splitlines()[0]} | {len(done)} | {counts} |")
    link = "[Every case with its message](bad-inputs-corpus.md.txt) is a file of its own."
    return "\n\n".join([head, f"## Cases\n\n{link}\n", "\n".join(rows), f"## {groups[0]}"])


def _validation(*, quick: bool) -> str:
    """Return the table of published checks, recorded while the tests run."""
    head = (
        "# Validation\n\nEvery check against something outside: what was expected and what came "
        "out. Three kinds are kept apart: a number that a source prints, what follows by algebra, "
        "units or geometry, and our own cross-checks, which nobody published. This page is "
        "recorded while the tests run "
        "(`tests/validation/published.py`); nothing in it is typed.\n\n"
    )
    if quick:
        return head + "Left out of this quick build.\n"
    with tempfile.TemporaryDirectory() as scratch:
        target = Path(scratch) / "published.json"
        command = [sys.executable, "-m", "tests.validation.published", str(target)]
        subprocess.run(command, cwd=ROOT, check=True)  # noqa: S603 - ourselves
        return head + target.with_suffix(".md").read_text("utf-8")


def _api(folder: Path) -> None:
    """Write a page for the public names, and one for the face of each room."""
    folder.mkdir()
    names = _face(ROOT / "siting")
    listed = "".join(f"\n- :py:obj:`siting.{name} <{home}.{name}>`" for name, home in names.items())
    says = "`import siting` gives these; each is imported when first used."
    (folder / "siting.rst").write_text(f"{_title('Public names')}{says}\n{listed}\n", "utf-8")
    pages = ["siting"]
    for stub in sorted((ROOT / "siting").glob("*/__init__.pyi")):
        blocks = "".join(_directive(home, name) for name, home in _face(stub.parent).items())
        room = stub.parent.name
        (folder / f"{room}.rst").write_text(_title(room) + blocks, "utf-8")
        pages.append(room)
    more = [(home, name) for name, home in names.items() if home.count(".") == 1]
    blocks = "".join(_directive(home, name) for home, name in more)
    (folder / "ground.rst").write_text(_title("Errors and the demo") + blocks, "utf-8")
    listed = "".join(f"   {page}\n" for page in [*pages, "ground"])
    says = "The public names, and what each room offers the others, as their docstrings say.\n\n"
    (folder / "index.rst").write_text(f"{_title('API')}{says}.. toctree::\n\n{listed}", "utf-8")


def _title(words: str) -> str:
    """Return the title of a page in reStructuredText."""
    return f"{words}\n{'=' * len(words)}\n\n"


def _directive(home: str, name: str) -> str:
    """Return what prints the docstring of a name."""
    value = getattr(importlib.import_module(home), name)
    if get_origin(value) is not None:  # an alias of a type
        return f"\n.. py:data:: {home}.{name}\n   :value: {value}\n"
    if not callable(value):
        return f"\n.. autodata:: {home}.{name}\n"
    if not isinstance(value, type):
        return f"\n.. autofunction:: {home}.{name}\n"
    kind = "exception" if issubclass(value, Exception) else "class"
    return f"\n.. auto{kind}:: {home}.{name}\n   :members:\n"


def _face(package: Path) -> dict[str, str]:
    """Return the names that a package's face offers, each with its module."""
    dotted = ".".join(package.relative_to(ROOT).parts)
    stub = ast.parse((package / "__init__.pyi").read_text("utf-8"))
    return {
        alias.name: f"{dotted}.{node.module}"
        for node in stub.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }


class _Links(HTMLParser):
    """Collects what a page links to, what it loads, and its anchors."""

    def __init__(self) -> None:
        super().__init__()
        self.links: list[str] = []
        self.loads: list[str] = []
        self.anchors: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note one tag."""
        found = {key: value or "" for key, value in attrs}
        self.anchors |= {found[key] for key in ("id", "name") if key in found}
        if tag == "a" and "href" in found:
            self.links.append(found["href"])
        if "src" in found or (tag == "link" and found.get("rel") not in ("canonical", "edit")):
            self.loads.append(found.get("src") or found.get("href", ""))


def broken_links(site: Path) -> list[str]:
    """Follow every link of a built site without a network.

    Parameters
    ----------
    site : Path
        The site's folder.

    Returns
    -------
    list of str
        Links that lead nowhere within the site, and whatever a page would load from a network.
    """
    pages = {}
    own = (path for path in site.rglob("*.html") if "_static" not in path.relative_to(site).parts)
    for path in sorted(own):
        parser = _Links()
        parser.feed(path.read_text("utf-8"))
        pages[path.resolve()] = parser
    return [
        wrong
        for path, page in pages.items()
        for link in (*page.links, *page.loads)
        if (wrong := _wrong(link, path, pages))
    ]


def _wrong(link: str, path: Path, pages: dict[Path, _Links]) -> str:
    """Return what is wrong with a link of a page, or ""."""
    parts = urlsplit(link)
    if parts.scheme or parts.netloc:
        loaded = link in pages[path].loads and parts.scheme != "data"
        return f"{path.name}: loads {link}" if loaded else ""
    target = (path.parent / unquote(parts.path)).resolve() if parts.path else path
    anchor = unquote(parts.fragment)
    lost = bool(anchor) and target in pages and anchor not in pages[target].anchors
    return f"{path.name}: {link}" if lost or not target.exists() else ""


def build(target: Path, *, quick: bool = False) -> None:
    """Build the site, warnings as errors.

    Parameters
    ----------
    target : Path
        Folder of the site; replaced.
    quick : bool
        Whether to leave the validation table out.
    """
    with tempfile.TemporaryDirectory() as scratch:
        pages = Path(scratch) / "pages"
        write_pages(pages, quick=quick)
        shutil.copy(HERE / "conf.py", pages)
        command = [
            sys.executable, "-m", "sphinx", "-b", "html", "-W", "--keep-going", "--quiet",
            "-d", str(Path(scratch) / "doctrees"), str(pages), str(Path(scratch) / "site"),
        ]  # fmt: skip
        subprocess.run(command, check=True)  # noqa: S603 - ourselves
        shutil.rmtree(target, ignore_errors=True)
        shutil.move(Path(scratch) / "site", target)
    broken = broken_links(target)
    if broken:
        sys.exit("\n".join(broken))
    pages_built = len(list(target.rglob("*.html")))
    sys.stdout.write(f"{pages_built} pages in {target}, no broken link\n")


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    build(Path(sys.argv[1]), quick="--quick" in sys.argv[2:])

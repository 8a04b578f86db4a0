"""Results without a plan: the usual names, any content, through the program's own replacing.

For tests about what becomes of a folder of results, not about what stands in it: the process is
divided from one that has everything loaded, and so writes within some milliseconds.
"""

from __future__ import annotations

import multiprocessing
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import NamedTuple

from siting.handoff import bundle, readingsheet, results  # noqa: F401 - loaded before dividing
from siting.handoff.formats import FORMATS, NAMES
from tests.plan_factory import make_plan

PLAN = make_plan()
#: About what a map weighs [bytes].
SIZE = 400_000


class Stub(NamedTuple):
    """An output format that writes one word over and over."""

    name: str
    word: str
    stage: str = FORMATS[0].stage

    def write(self, _plan: object, folder: Path) -> None:
        text = f"{self.name} {self.word}\n"
        (folder / self.name).write_text(text * (SIZE // len(text)), encoding="utf-8")


def stubs(word: str) -> list[Stub]:
    """Return what stands in for all that is always written."""
    return [Stub(name, word) for name in NAMES]


def write_stub(word: str, folder: Path) -> None:
    """Write results of one word into a folder, as `write_bundle` writes a plan."""
    bundle.formats = lambda _also: stubs(word)
    bundle.write_bundle(PLAN, folder)


def start_stub(word: str, folder: Path) -> BaseProcess:
    """Start a process that does so."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([__name__])
    process = context.Process(target=write_stub, args=(word, folder))
    process.start()
    return process

"""Run a plan again from its inputs, and say what came out otherwise."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

from siting.atomic import SOURCE, file_digest, written_files
from siting.errors import Fault, InputError
from siting.handoff.bundle import write_bundle
from siting.handoff.compare import read_plans
from siting.handoff.results import OPTIONAL, property_of
from siting.planning import plan_property

__all__ = ["Verification", "verify_results"]

#: Differences of a document that are told at most.
_TOLD: Final = 12

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Verification:
    """What a second run found.

    same: files that came out byte for byte as they lie in the folder; different: files that did
    not, or that are missing; inputs: inputs that are no longer what the plan was made from, in
    words; versions: versions that are no longer those that made the plan, in words; values: where
    the two plan.json differ: key, then and now, the first few; added: files in the folder that no
    run wrote there, nothing is said of their content.
    """

    same: tuple[str, ...]
    different: tuple[str, ...]
    inputs: tuple[str, ...]
    versions: tuple[str, ...]
    values: tuple[str, ...]
    added: tuple[str, ...] = ()

    @property
    def holds(self) -> bool:
        """Whether every file is what its inputs make today."""
        return not self.different


def verify_results(
    folder: Path | str,
    property_file: Path | str | None = None,
    *,
    nearby: Sequence[Path] = (),
    threads: int = 1,
    progress: Progress | None = None,
) -> Verification:
    """Plan again with the same property and changes, and compare every file.

    Parameters
    ----------
    folder : Path or str
        Results of `siting plan`.
    property_file : Path or str, optional
        The property file, or its folder. Without it, the file of the recorded checksum is looked
        for where the results note it, beside and above them and in the current folder.
    nearby : sequence of Path
        More property files that may be the one.
    threads : int
        Threads; the result does not depend on it.
    progress : callable, optional
        Called with stage, steps done and steps in all.

    Returns
    -------
    Verification
        What is the same and what is not.

    Raises
    ------
    InputError
        When the folder holds no plan, the property is not found, or its input is faulty now.
    PlanError
        When no plan can be made any more.
    """
    place = Path(folder)
    place = place if place.is_dir() else place.parent
    [(_, document)] = read_plans([place])
    recorded: Mapping[str, Any] = document["provenance"]
    if recorded.get("readings"):
        found = "a plan as built, changed by the field's readings"
        mend = "Its history folder keeps the plan as handed over and every state since."
        raise InputError([Fault(str(place), found, "a plan as `siting plan` made it", mend)])
    path = _property(place, recorded, property_file, nearby)
    changes = recorded.get("changes", {})
    plan = plan_property(path, threads=threads, progress=progress, changes=changes)
    optional = {name: (place / name).exists() for name in OPTIONAL}
    with TemporaryDirectory(prefix="siting-verify-") as scratch:
        written = write_bundle(
            plan,
            Path(scratch) / "again",
            online_map=optional["map-online.html"],
            dxf=optional["plan.dxf"],
            progress=progress,
        )
        same = [
            path.name for path in written if file_digest(path) == file_digest(place / path.name)
        ]
        again = json.loads((Path(scratch) / "again" / "plan.json").read_text("utf-8"))
    now: Mapping[str, Any] = again["provenance"]
    return Verification(
        same=tuple(same),
        different=tuple(path.name for path in written if path.name not in same),
        inputs=tuple(_changed(recorded["inputs"], now["inputs"], "checksum")),
        versions=tuple(_versions(recorded, now)),
        values=tuple(_differences(_without(document), _without(again))[:_TOLD]),
        added=tuple(_added(place, {path.name for path in written})),
    )


def _added(place: Path, written: set[str]) -> list[str]:
    """Return the files of a results folder that no run wrote, those of its own folders apart."""
    known = {SOURCE, *written, *written_files(place)}
    return sorted(
        path.name for path in place.iterdir() if path.is_file() and path.name not in known
    )


def _property(
    place: Path, recorded: Mapping[str, Any], given: Path | str | None, nearby: Sequence[Path]
) -> Path:
    """Return the property file that the plan was made from."""
    if given is not None:
        return Path(given)
    name = str(recorded.get("property", "property.toml"))
    wanted = recorded["inputs"].get(name, "")
    home = place.resolve()
    folders = [home, home.parent, Path.cwd(), *sorted(p for p in home.parent.iterdir())]
    there = (folder / name for folder in folders if folder.is_dir())
    noted = property_of(place)
    for path in (*([noted] if noted else []), *there, *nearby):
        if file_digest(path) == wanted:
            return path
    raise InputError(
        [
            Fault(
                str(place),
                f"a plan of a {name} that is not nearby, or no longer the same",
                "the property file that the plan was made from",
                "Name it: siting verify PLAN PROPERTY.",
            )
        ]
    )


def _versions(then: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    told = _changed(then["libraries"], now["libraries"], "version")
    if then["siting"] != now["siting"]:
        told.insert(0, f"siting: version {then['siting']} then, {now['siting']} now")
    return told


def _changed(then: Mapping[str, str], now: Mapping[str, str], what: str) -> list[str]:
    told = []
    for name in sorted(set(then) | set(now)):
        before, after = then.get(name, "none"), now.get(name, "none")
        if before != after:
            short = (before[:12], after[:12])
            told.append(f"{name}: {what} {short[0]} then, {short[1]} now")
    return told


def _without(document: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in document.items() if key != "provenance"}


def _differences(then: object, now: object, at: str = "") -> list[str]:
    """List where two JSON values differ, deepest key first named."""
    if isinstance(then, dict) and isinstance(now, dict):
        keys = [*then, *(key for key in now if key not in then)]
        return [d for key in keys for d in _differences(then.get(key), now.get(key), f"{at}.{key}")]
    if isinstance(then, list) and isinstance(now, list) and len(then) == len(now):
        return [
            d
            for i, (a, b) in enumerate(zip(then, now, strict=True))
            for d in _differences(a, b, f"{at}[{i}]")
        ]
    return [] if then == now else [f"{at.lstrip('.')}: {_short(then)} then, {_short(now)} now"]


def _short(value: object) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 60 else f"{text[:57]}..."  # noqa: PLR2004 - one line of a screen

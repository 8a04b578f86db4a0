"""Plans of the bundled properties, made once for all tests and workers that ask for them.

Kept as files under a lock, in a folder of this user's alone; the key holds every file of the
package and of the property, so a plan is never older than the program.
"""

from __future__ import annotations

import functools
import hashlib
import os
import pickle
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from filelock import FileLock

if TYPE_CHECKING:
    from siting.planning.model import Plan

_spent_s: list[float] = []
#: Plans that take most of a minute: whoever asks for one is counted this [s], and so is slow.
LARGE = ("fields",)
LARGE_S = 60.0


def spent_s() -> float:
    """Return the processor time spent here on making and fetching plans, large ones less [s]."""
    return sum(_spent_s)


def demo_plan(name: str) -> Plan:
    """Return the plan of a bundled property; do not change it."""
    plan = _fetched(name)
    if name in LARGE:
        _spent_s.append(-LARGE_S)
    return plan


@functools.cache
def _fetched(name: str) -> Plan:
    begun = sum(os.times()[:4])
    plan = _kept(name)
    _spent_s.append(sum(os.times()[:4]) - begun)
    return plan


def _kept(name: str) -> Plan:
    """Return a plan from the folder of kept ones, made if it is not there yet."""
    # Imported late: conftest asks for the time spent, and need not load the program for it.
    from siting.planning.make import plan_property
    from siting.site.template import demo_property

    folder = Path(tempfile.gettempdir()) / f"siting-test-plans-{os.getuid()}"
    folder.mkdir(mode=0o700, exist_ok=True)
    assert folder.stat().st_uid == os.getuid(), "the folder of kept plans is another user's"
    kept = folder / f"{name}-{_digest(name)}.pickle"
    with FileLock(f"{kept}.lock"):
        if not kept.exists():
            part = kept.with_suffix(".part")
            part.write_bytes(pickle.dumps(plan_property(demo_property(name))))
            part.replace(kept)
        return pickle.loads(kept.read_bytes())  # noqa: S301 - written by ourselves, just above


def _digest(name: str) -> str:
    """Return a digest of everything that a plan is made from."""
    import siting
    from siting.site.template import demo_property

    found = hashlib.sha256()
    package = Path(siting.__file__).parent
    for path in [*sorted(package.rglob("*.py")), *sorted(demo_property(name).parent.iterdir())]:
        found.update(str(path.relative_to(path.anchor)).encode() + path.read_bytes())
    return found.hexdigest()[:16]

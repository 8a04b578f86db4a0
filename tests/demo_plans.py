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

from filelock import FileLock

import siting
from siting.planning.make import plan_property
from siting.planning.model import Plan
from siting.site.template import demo_property


@functools.cache
def demo_plan(name: str) -> Plan:
    """Return the plan of a bundled property; do not change it."""
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
    found = hashlib.sha256()
    package = Path(siting.__file__).parent
    for path in [*sorted(package.rglob("*.py")), *sorted(demo_property(name).parent.iterdir())]:
        found.update(str(path.relative_to(path.anchor)).encode() + path.read_bytes())
    return found.hexdigest()[:16]

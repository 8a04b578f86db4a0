"""Errors: one root, and one message that lists every fault of an input."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["Fault", "InputError", "NoAdmissibleGroundError", "PlanError", "SitingError"]


class SitingError(Exception):
    """Root of every error that siting raises on purpose."""


class PlanError(SitingError):
    """The input is sound, but no plan can be made from it."""


class NoAdmissibleGroundError(PlanError):
    """A zone has no ground at all in which a sensor could be buried."""


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong with an input, and how to mend it.

    file: name of the file as the user wrote it; found: what was found there; allowed: what is
    allowed instead; mend: what the user can do about it; layer, feature, column: where in the file:
    the layer (or TOML table), the feature id (or CSV line, or "row 3") and the column (or TOML
    key).
    """

    file: str
    found: str
    allowed: str
    mend: str
    layer: str | None = None
    feature: str | None = None
    column: str | None = None

    def __str__(self) -> str:
        """Return the fault as one line: where, found, allowed, mend."""
        place = [self.file]
        place += [f"layer {self.layer}"] if self.layer else []
        if self.feature:
            is_line = self.feature.startswith(("line", "row"))
            place += [self.feature if is_line else f"feature {self.feature}"]
        place += [f"column {self.column}"] if self.column else []
        return f"{', '.join(place)}: found {self.found}; allowed: {self.allowed}. {self.mend}"


class InputError(SitingError):
    """An input was refused.

    Parameters
    ----------
    faults : iterable of Fault
        Every fault found; the message lists them all.
    """

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        count = len(self.faults)
        head = "1 fault" if count == 1 else f"{count} faults"
        super().__init__("\n".join([f"{head} in the input:", *(f"  - {f}" for f in self.faults)]))

    def __reduce__(self) -> tuple[type[InputError], tuple[tuple[Fault, ...]]]:
        """Pickle with the faults, so that an error of another process says the same here."""
        return type(self), (self.faults,)

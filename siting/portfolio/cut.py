"""Cut one property out of a portfolio, for a look of its own."""

from __future__ import annotations

from pathlib import Path

from siting.errors import Fault, InputError
from siting.portfolio.extract import extract, open_window
from siting.portfolio.model import Folder, Tile
from siting.portfolio.source import open_source
from siting.portfolio.tiles import index_of
from siting.site.findings import nearest

__all__ = ["cut_out"]


def cut_out(source: Path | str, property_id: str, folder: Path | str) -> Path:
    """Write one property of a portfolio as a folder of its own.

    Parameters
    ----------
    source : Path or str
        As for `siting.portfolio.source.open_source`.
    property_id : str
        Which one.
    folder : Path or str
        Where; made when missing, and it must be empty.

    Returns
    -------
    Path
        The property file; `siting plan` makes the portfolio's plan of it.

    Raises
    ------
    InputError
        When there is no such property, or the folder is not empty.
    """
    opened, folder = open_source(source), Path(folder)
    index = index_of(opened)
    if property_id not in index.ids:
        near = nearest(property_id, index.ids)
        mend = f'Did you mean "{near}"?' if near else "Look the id up in the boundary layer."
        found = f'no property "{property_id}"'
        raise InputError([Fault(opened.path.name, found, "an id of the portfolio", mend)])
    if isinstance(opened, Folder):
        return opened.files[property_id]
    folder.mkdir(parents=True, exist_ok=True)
    if any(folder.iterdir()):
        mend = "Choose another folder."
        raise InputError([Fault(str(folder), "a folder with files", "an empty folder", mend)])
    row = index.ids.index(property_id)
    tile = Tile("one", (property_id,), index.bounds[row : row + 1])
    return extract(open_window(opened, tile), property_id, folder)

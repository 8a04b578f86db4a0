"""Tell what a file is from its first bytes, before any driver opens it.

Only the formats of `VECTOR_DRIVERS` and `RASTER_DRIVERS` are meant. A virtual layer or raster (VRT)
or a pipeline file reads other files, near or far, and so never reaches a driver; neither does an
archive, which may unpack to any size, nor XML with entities of its own.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final, NamedTuple

from siting.limits import limit

__all__ = [
    "MAY_NOT",
    "RASTER_DRIVERS",
    "VECTOR_DRIVERS",
    "Refusal",
    "raster_driver",
    "refuse_vector",
]

#: Drivers that may read a layer -> its format in words.
VECTOR_DRIVERS: Final = {
    "GPKG": "GeoPackage",
    "ESRI Shapefile": "shapefile",
    "FlatGeobuf": "FlatGeobuf",
    "GeoJSON": "GeoJSON",
    "GeoJSONSeq": "GeoJSON",
    "OpenFileGDB": "file geodatabase",
    "KML": "KML",
    "LIBKML": "KML",
    "GPX": "GPX",
}
#: First bytes of a raster -> the only driver that may read it.
RASTER_DRIVERS: Final = (
    (b"II*\0", "GTiff"),
    (b"MM\0*", "GTiff"),
    (b"II+\0", "GTiff"),
    (b"MM\0+", "GTiff"),
    (b"EHFA_HEADER_TAG", "HFA"),
    (b"\0\0\0\x0cjP  ", "JP2OpenJPEG"),
    (b"\x89PNG", "PNG"),
    (b"\xff\xd8\xff", "JPEG"),
    (b"ncols", "AAIGrid"),
    (b"NCOLS", "AAIGrid"),
)

_MB: Final = 1_000_000
_HEAD: Final = 4096
_PROLOG: Final = 1_000_000
_EXPORT: Final = "Export it as a GeoPackage."
_UNPACK: Final = "Unpack it, and name the file within."
#: First bytes -> what the file is, and how to mend it.
_STARTS: Final = (
    (b"PK\x03\x04", "a zip archive", _UNPACK),
    (b"\x1f\x8b", "a file packed with gzip", _UNPACK),
    (b"7z\xbc\xaf", "a 7z archive", _UNPACK),
    (b"version https://git-lfs", "a pointer to a file in a large-file store", "Fetch the file."),
    (b"\x89PNG", "a PNG picture", _EXPORT),
    (b"\xff\xd8\xff", "a JPEG picture", _EXPORT),
    (b"II*\0", "a TIFF raster", _EXPORT),
    (b"MM\0*", "a TIFF raster", _EXPORT),
    (b"II+\0", "a TIFF raster", _EXPORT),
    (b"%PDF", "a PDF", _EXPORT),
    (b"\xff\xfe", "a text in UTF-16", "Save it in UTF-8."),
    (b"\xfe\xff", "a text in UTF-16", "Save it in UTF-8."),
)
_SHAPEFILE: Final = b"\x00\x00\x27\x0a"
_OURS: Final = (b"SQLite format 3\0", b"fgb", _SHAPEFILE)
_BLANK: Final = b"\xef\xbb\xbf \t\r\n\x1e"


class Refusal(NamedTuple):
    """What a file was found to be, and how to mend that.

    Parameters
    ----------
    found : str
        What the file is.
    mend : str
        What to do.
    """

    found: str
    mend: str


#: Of any file that the system does not let us open.
MAY_NOT: Final = Refusal(
    "a file that may not be read (permission)",
    "Allow it to be read, and close it in other programs.",
)


def refuse_vector(path: Path) -> Refusal | None:
    """Return why a file cannot be a layer, or None when a driver may open it.

    Parameters
    ----------
    path : Path
        An existing file, or the folder of a file geodatabase.

    Returns
    -------
    Refusal or None
        None when its first bytes are those of a format that is meant.
    """
    if path.is_dir():
        return None if path.suffix.lower() == ".gdb" else Refusal("a folder", "Name a file.")
    basic = _size(path, "vector_mb")
    if basic is not None:
        return basic
    head = _read(path, _HEAD)
    if head.startswith(_OURS):
        return _sidecars(path) if head.startswith(_SHAPEFILE) else None
    return _known(head) or _text(path, head.lstrip(_BLANK))


def _text(path: Path, text: bytes) -> Refusal | None:
    """Return why a text cannot be a layer."""
    if text.startswith((b"{", b"[")):
        piped = b"gdal_streamed_alg" in _read(path, _PROLOG)
        found = "a virtual layer: a pipeline that reads other files"
        return Refusal(found, _EXPORT) if piped else None
    if text.startswith(b"<"):
        return _xml(_read(path, _PROLOG))
    table = path.suffix.lower() in {".csv", ".txt"}
    kind = "a table without geometry (CSV)" if table else "a file of another kind"
    return Refusal(f"{kind} that cannot be read as a layer, no GeoPackage", _EXPORT)


def raster_driver(path: Path) -> str | Refusal:
    """Return the only driver that may open a raster, or why none may.

    Parameters
    ----------
    path : Path
        An existing file.

    Returns
    -------
    str or Refusal
        By its first bytes.
    """
    if path.is_dir():
        return Refusal("a folder", "Name a file.")
    try:
        head = _read(path, _HEAD)
    except PermissionError:
        return MAY_NOT
    if not head:
        return Refusal("an empty file", "Export it again.")
    text = head.lstrip(_BLANK)
    if text.startswith((b"<", b"{", b"[")):
        found = "a virtual raster or another text that names other files"
        return Refusal(found, "Export it as a GeoTIFF.")
    driver = next((name for start, name in RASTER_DRIVERS if head.startswith(start)), None)
    found = "a file that cannot be read as a raster"
    return driver or _known(head) or Refusal(found, "Export it again as a GeoTIFF.")


def _size(path: Path, key: str) -> Refusal | None:
    size = path.stat().st_size
    if size == 0:
        return Refusal("an empty file", "Export it again.")
    if size > limit(key) * _MB:
        found = f"a file of {size / _MB:,.0f} MB (at most {limit(key):,.0f} MB)"
        return Refusal(found, "Clip the layer to the property and what stands around it.")
    return None


def _read(path: Path, most: int) -> bytes:
    with path.open("rb") as file:
        return file.read(most)


def _known(head: bytes) -> Refusal | None:
    """Return what the first bytes show, when it is none of the formats that are meant."""
    return next(
        (Refusal(found, mend) for start, found, mend in _STARTS if head.startswith(start)), None
    )


def _xml(text: bytes) -> Refusal | None:
    """Return why an XML file is refused: only KML and GPX without entities are read."""
    low = text[:_HEAD].lower()
    if b"<html" in low or b"<!doctype html" in low:
        return Refusal("a web page", "Download the file itself.")
    if b"<ogrvrt" in low or b"<vrtdataset" in low:
        return Refusal("a virtual layer (VRT), which reads other files", _EXPORT)
    if b"<!DOCTYPE" in text or b"<!ENTITY" in text:
        return Refusal("XML with a DOCTYPE or entities of its own", _EXPORT)
    if b"<NetworkLink" in text:
        return Refusal("KML that links to a network address", _EXPORT)
    if b"<kml" in low or b"<gpx" in low:
        return None
    return Refusal("XML that is neither KML nor GPX", _EXPORT)


def _sidecars(path: Path) -> Refusal | None:
    """Return which of a shapefile's other files is missing."""
    lost = [s for s in (".dbf", ".shx") if not _beside(path, s)]
    if not lost:
        return None
    names = " and ".join(path.with_suffix(s).name for s in lost)
    return Refusal(f"a shapefile whose {names} is missing", "Copy all files of the shapefile.")


def _beside(path: Path, suffix: str) -> bool:
    return any(path.with_suffix(s).is_file() for s in (suffix, suffix.upper()))

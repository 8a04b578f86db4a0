"""The offline interactive map: one self-contained HTML file that asks nothing of any network.

The document, the figure and the map come from folium. None of its own scripts, styles or user
texts pass through folium's templates: links are replaced by vendored files (an unknown link is an
error), and everything of the plan goes into one JSON block that our own script shows as text.
"""

from __future__ import annotations

import base64
import hashlib
import re
from html import escape
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

import folium
import jinja2
from branca.element import Element, Figure, Link

from siting.atomic import write_text
from siting.errors import SitingError
from siting.handoff._basemaps import hosts
from siting.handoff._map_data import as_json, map_document
from siting.handoff._map_static import static_page
from siting.palette import INK
from siting.planning import Plan

__all__ = ["map_html", "write_map"]

_SCHEME = "vendored:"
_LEAFLET_JS = f"{_SCHEME}leaflet-1.9.4.js"
_LEAFLET_CSS = f"{_SCHEME}leaflet-1.9.4.css"
_PAGE_CSS = f"{_SCHEME}page.css"
_SCRIPTS: Final = ("page.js", "labels.js", "sun.js", "view.js")
_LICENCES: Final = {_LEAFLET_JS: "leaflet-1.9.4.LICENSE"}

#: Pictures that the vendored style sheet names and that the page never shows.
_UNUSED_PICTURES: Final = {
    "#default#VML",
    "images/layers.png",
    "images/layers-2x.png",
    "images/marker-icon.png",
}
#: Kept before anything is drawn, so that a copy with photos can be saved.
_PRISTINE: Final = "var page_as_written = document.documentElement.outerHTML;\n"
_MAX_ZOOM = 24  # half a metre is then about 60 pixels wide
_POLICY_MARK = "@policy@"


def write_map(plan: Plan, path: Path | str, *, online: bool = False) -> Path:
    """Write a plan as one self-contained interactive map."""
    return write_text(path, map_html(plan, online=online))


def map_html(plan: Plan, *, online: bool = False) -> str:
    """Return a plan as one self-contained interactive map.

    Result: the HTML; the same plan gives the same text.
    """
    document = map_document(plan, online=online)
    page = _Page(
        title=f"{plan.site.name}: sensor map", data=document, plain=static_page(plan, document)
    )
    page.origins = tuple(hosts()) if online else ()
    scaffold = _FieldMap(location=[plan.site.latitude, plan.site.longitude], tiles=None)
    scaffold._id = "plan"  # noqa: SLF001 - folium's own ids are random
    scaffold.add_to(page)
    html: str = page.render()
    return html


class _Verbatim(Element):
    """Text that folium passes on as it is, not as a template."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text = text

    def render(self, **_: object) -> str:
        """Return the text."""
        return self.text


class _FieldMap(folium.Map):
    """folium's map with its remote files replaced and without what upsets small screens."""

    default_js = [("leaflet", _LEAFLET_JS)]  # noqa: RUF012 - folium's own form
    default_css = [("leaflet_css", _LEAFLET_CSS), ("page_css", _PAGE_CSS)]  # noqa: RUF012
    _template = jinja2.Template(
        """
        {% macro header(this, kwargs) %}
        <meta name="viewport" content="width=device-width, initial-scale=1">
        {% endmacro %}
        {% macro html(this, kwargs) %}
        <div class="folium-map" id={{ this.get_name()|tojson }}></div>
        {% endmacro %}
        {% macro script(this, kwargs) %}
        var {{ this.get_name() }} = L.map({{ this.get_name()|tojson }}, {{ this.leaflet|tojson }});
        {% endmacro %}
        """
    )

    @property
    def leaflet(self) -> dict[str, Any]:
        """Options of the Leaflet map."""
        return {
            "center": list(self.location),
            "zoom": 18,
            "maxZoom": _MAX_ZOOM,
            "zoomSnap": 0.25,
            "fadeAnimation": False,
            "zoomControl": False,
            "attributionControl": False,
        }


class _Page(Figure):
    """The document around the map: our own frame, everything inlined, a strict policy."""

    def __init__(self, *, title: str, data: dict[str, Any], plain: str) -> None:
        super().__init__(title=title)
        self.data = data
        self.plain = plain
        self.origins: tuple[str, ...] = ()
        self.header._children.pop("meta_http", None)  # noqa: SLF001 - the frame has its own

    def render(self, **kwargs: object) -> str:
        """Return the whole document."""
        for child in self._children.values():
            child.render(**kwargs)
        _inline_links(self.header)
        html: str = jinja2.Template(_asset("page.html")).render(
            policy=_POLICY_MARK,
            # some tile servers refuse pages that do not say where they come from
            referrer="origin" if self.origins else "no-referrer",
            title=escape(self.title or ""),
            header=self.header.render(),
            map=self.html.render(),
            plain=self.plain,
            data=as_json(self.data),
            script=f"{_PRISTINE}{self.script.render()}\n{_our_script()}",
        )
        return html.replace(_POLICY_MARK, _policy(html, self.origins), 1)


def _our_script() -> str:
    """Return our own script: several files in one closure, so that nothing of it is global."""
    body = "\n".join(_asset(name) for name in _SCRIPTS)
    return f'(function (map, pristine) {{\n"use strict";\n{body}}})(map_plan, page_as_written);\n'


def _asset(name: str) -> str:
    """Return a vendored text file."""
    return (files("siting.handoff") / "assets" / name).read_text(encoding="utf-8")


def _inline_links(header: Element) -> None:
    """Replace every link to a script or style by the vendored file; refuse all others."""
    for name, child in list(header._children.items()):  # noqa: SLF001 - no public way to replace
        if isinstance(child, Link):
            header.add_child(_Verbatim(_inlined(str(child.url))), name=name)
        elif re.search(r"<(script|link|img|iframe)\b[^>]*\b(src|href)\s*=", child.render()):
            message = f"the map would load something by itself: {name}"
            raise SitingError(message)


def _inlined(url: str) -> str:
    """Return a vendored file as a script or style element."""
    if url not in {_LEAFLET_JS, _LEAFLET_CSS, _PAGE_CSS}:
        message = f"the map would load {url}, which is not vendored"
        raise SitingError(message)
    text = _asset(url.removeprefix(_SCHEME))
    if url == _LEAFLET_JS:
        text = re.sub(r"\n//# sourceMappingURL=\S+\s*$", "\n", text)
        tag, notice = "script", f"/*\n{_asset(_LICENCES[url])}*/\n"
    else:
        tag, notice = "style", _variables() if url == _PAGE_CSS else ""
        text = re.sub(r"url\(([^)]*)\)", _without_picture, text)
    return f"<{tag}>\n{notice}{text}</{tag}>"


def _without_picture(match: re.Match[str]) -> str:
    """Drop a style sheet's picture that the page never shows; refuse an unknown one."""
    if match.group(1) not in _UNUSED_PICTURES:
        message = f"the map's style would load {match.group(1)}, which is not vendored"
        raise SitingError(message)
    return "none"


def _variables() -> str:
    """Return the palette as variables of the style sheet."""
    colours = {**INK, "glass": f"{INK['card']}d9"}
    body = " ".join(f"--{name.replace('_', '-')}: {colour};" for name, colour in colours.items())
    return f":root {{ {body} }}\n"


def _policy(html: str, origins: tuple[str, ...]) -> str:
    """Return a content security policy that allows exactly the page's own scripts and styles.

    W3C, Content Security Policy Level 3, "hash-source".
    """
    allowed = {}
    for tag, expected in (("script", 2), ("style", 3)):
        parts = re.findall(rf"<{tag}>(.*?)</{tag}>", html, flags=re.DOTALL)
        if len(parts) != expected:
            message = f"the map has {len(parts)} {tag} elements instead of {expected}"
            raise SitingError(message)
        digests = [hashlib.sha256(part.encode()).digest() for part in parts]
        allowed[tag] = " ".join(f"'sha256-{base64.b64encode(d).decode()}'" for d in digests)
    return (
        f"default-src 'none'; script-src {allowed['script']}; style-src {allowed['style']}; "
        f"img-src {' '.join(('data:', *origins))}; base-uri 'none'; form-action 'none'"
    )

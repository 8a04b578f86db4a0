"""Settings of the documentation, read by Sphinx; `build.py` makes the pages beside a copy of this.

No font, script or picture comes from the network, so that the pages are whole without one.
"""

from __future__ import annotations

project = "siting"
author = copyright = "siting contributors"  # noqa: A001 - the name that Sphinx reads
extensions = ["myst_parser", "numpydoc", "sphinx.ext.autodoc"]
myst_enable_extensions = ["colon_fence"]
myst_heading_anchors = 4
#: build.py follows every link of the result itself; two rooms each have a `Column`.
suppress_warnings = ["myst.xref_missing", "ref.python"]
numpydoc_show_class_members = False
autodoc_member_order = "bysource"
autodoc_typehints = "none"  # they stand under Parameters
add_module_names = False
highlight_language = "text"
templates_path: list[str] = []
html_theme = "pydata_sphinx_theme"
html_title = "siting"
html_show_sourcelink = False
html_copy_source = False
html_show_sphinx = False
html_use_index = True
html_theme_options = {
    "show_prev_next": False,
    "secondary_sidebar_items": ["page-toc"],
    "navbar_persistent": ["search-button"],
    "footer_start": ["copyright"],
    "footer_end": [],
    "header_links_before_dropdown": 4,
}

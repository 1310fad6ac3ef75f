"""Sphinx settings: `make docs`; a warning is an error."""

import matledger

project = "matledger"
author = "The matledger authors"
copyright = "The matledger authors; MIT or Apache-2.0"
version = release = matledger.__version__

extensions = [
    "myst_parser",
    "numpydoc",
    "sphinx.ext.autodoc",
    "sphinx.ext.autosummary",
    "sphinx.ext.mathjax",
]
exclude_patterns = ["_build"]
myst_enable_extensions = ["colon_fence", "deflist", "dollarmath"]
myst_heading_anchors = 3
default_role = "py:obj"

autodoc_default_options = {"members": True, "member-order": "bysource"}
autodoc_typehints = "signature"
autosummary_generate = False
numpydoc_show_class_members = False
# Docstrings list a paper under References where no sentence cites it.
suppress_warnings = ["ref.citation", "ref.footnote"]

html_theme = "pydata_sphinx_theme"
html_title = f"matledger {release}"
html_show_sourcelink = False
html_theme_options = {
    "navbar_end": ["theme-switcher"],
    "secondary_sidebar_items": ["page-toc"],
    "show_prev_next": True,
}

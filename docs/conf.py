"""Sphinx settings: `make docs`; a warning is an error."""

from docutils import nodes
from latex2mathml.converter import convert
from sphinx.application import Sphinx
from sphinx.writers.html5 import HTML5Translator

import matledger

project = "matledger"
author = "The matledger authors"
copyright = "The matledger authors; MIT or Apache-2.0"
version = release = matledger.__version__

extensions = [
    "myst_nb",
    "numpydoc",
    "sphinx.ext.autodoc",
    "sphinx.ext.autosummary",
    "sphinx_gallery.gen_gallery",
]
exclude_patterns = ["_build", "examples", "gallery/*.ipynb"]
myst_enable_extensions = ["colon_fence", "deflist", "dollarmath"]
myst_heading_anchors = 3
default_role = "py:obj"

# `make notebooks` has run them; the pages ask nobody for scripts.
nb_execution_mode = "off"
nb_ipywidgets_js = {}

autodoc_default_options = {"members": True, "member-order": "bysource"}
autodoc_typehints = "signature"
autosummary_generate = False
numpydoc_show_class_members = False
# Docstrings list a paper under References where no sentence cites it.
suppress_warnings = ["ref.citation", "ref.footnote"]

sphinx_gallery_conf = {
    "examples_dirs": "examples",
    "gallery_dirs": "gallery",
    "abort_on_example_error": True,
    "capture_repr": (),
    "within_subsection_order": "FileNameSortKey",
    "download_all_examples": False,
    "show_signature": False,
    "write_computation_times": False,
    "min_reported_time": 60,
}

html_theme = "pydata_sphinx_theme"
html_title = f"matledger {release}"
html_show_sourcelink = False
html_static_path = ["_static"]
html_css_files = ["pages.css"]
# These have no pages below them: an empty sidebar takes their room.
html_sidebars: dict[str, list[str]] = {pages: [] for pages in ("*", "how-to/*", "notebooks/*")}
html_theme_options = {
    "navbar_end": ["theme-switcher"],
    "secondary_sidebar_items": ["page-toc"],
    "show_prev_next": True,
}

html_math_renderer = "mathml"


def visit_math(translator: HTML5Translator, node: nodes.math) -> None:
    """Write an equation as MathML, which every browser shows without a script from elsewhere."""
    translator.body.append(convert(node.astext()))
    raise nodes.SkipNode


def visit_math_block(translator: HTML5Translator, node: nodes.math_block) -> None:
    """Write an equation of its own, with its number."""
    translator.body.append(translator.starttag(node, "div", CLASS="equation"))
    translator.body.append(convert(node.astext(), display="block"))
    translator.body.append(f"<span>({node['number']})</span></div>" if node["number"] else "</div>")
    raise nodes.SkipNode


def setup(app: Sphinx) -> None:
    """Register the renderer."""
    app.add_html_math_renderer("mathml", (visit_math, None), (visit_math_block, None))

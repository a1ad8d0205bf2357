"""Settings of the docs as a site: Sphinx reads the Markdown where it lies, and everything the pages need lies beside them."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sphinx.application import Sphinx

project = "deskhand"
author = "the deskhand team"
html_title = "deskhand"
extensions = ["myst_parser"]
# the source folder is the repository, so that a link means the same here and on the page of a forge
root_doc = "docs/index"
include_patterns = ["docs/*.md", "README.md", "CHANGELOG.md", "CONTRIBUTING.md", "benchmarks/README.md"]
myst_heading_anchors = 4
html_theme = "furo"
html_theme_options = {"top_of_page_buttons": []}
html_extra_path = ["site"]
html_copy_source = False
html_show_sphinx = False
html_show_copyright = False
pygments_style = "sphinx"
pygments_dark_style = "monokai"


def _contents(app: Sphinx, docname: str, source: list[str]) -> None:
    """Put the pages that the index lists into the side of every page, a caption for each of its headings."""
    if docname != app.config.root_doc:
        return
    trees = []
    for part in source[0].split("\n## ")[1:]:
        heading, _, text = part.partition("\n")
        pages = list(dict.fromkeys(re.findall(r"\]\(([\w./-]+)\.md\)", text)))
        trees += ["", "```{toctree}", ":hidden:", f":caption: {heading.split(':')[0]}", "", *pages, "```"]
    source[0] = "\n".join([source[0], *trees, ""])


def setup(app: Sphinx) -> None:
    """Called by Sphinx before it reads a page."""
    app.connect("source-read", _contents)

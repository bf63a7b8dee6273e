"""How Sphinx builds these pages: `make docs`. Nothing is fetched while building or reading."""

import sys
from pathlib import Path

from thenar import __version__

sys.path.insert(0, str(Path(__file__).parent / "sphinx_parts"))

project = "thenar"
author = "The thenar maintainers"
project_copyright = "The thenar maintainers, Apache-2.0"
version = release = __version__
language = "en_GB"

extensions = ["myst_parser", "mathml", "reach", "tables"]
myst_enable_extensions = ["dollarmath", "colon_fence"]
myst_heading_anchors = 3
html_math_renderer = "mathml"
nitpicky = True
exclude_patterns = ["pictures/README.md"]

html_theme = "furo"
html_title = f"thenar {__version__}"
html_static_path = ["static"]
html_css_files = ["pages.css"]
html_copy_source = False
html_use_index = False
html_show_sphinx = False
# The theme's own marks for admonitions and code are kept; black on white, as the project's other pages are.
html_theme_options = {
    "announcement": "Simulation only, not a medical device. No result here allows anyone to be stimulated.",
    "light_css_variables": {"color-brand-primary": "#00507a", "color-brand-content": "#00507a"},
    "dark_css_variables": {"color-brand-primary": "#8fc7ea", "color-brand-content": "#8fc7ea"},
}

"""How Sphinx makes the documentation site. `cargo xtask docs` calls it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from sphinx.application import Sphinx

sys.path.insert(0, str(Path(__file__).parent))
import c_reference  # noqa: E402

project = "Coeval"
author = copyright = "The Coeval developers"
extensions = ["myst_nb", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
root_doc = "index"
exclude_patterns = ["rust"]

# The results of the notebooks are made here, never kept.
nb_execution_mode = "force"
nb_execution_raise_on_error = True
nb_execution_timeout = 600
nb_merge_streams = True
myst_enable_extensions = ["colon_fence", "deflist"]
myst_heading_anchors = 3

# Names in the docstrings stand between single backticks.
default_role = "py:obj"
autodoc_member_order = "bysource"
# The docstrings say the types, in words.
autodoc_typehints = "none"
autodoc_preserve_defaults = True
napoleon_google_docstring = False
# Words such as "frames" in the shape of an argument are no links.
napoleon_use_param = napoleon_use_rtype = False
python_use_unqualified_type_names = True
add_module_names = False
toc_object_entries_show_parents = "hide"

html_theme = "pydata_sphinx_theme"
html_title = "Coeval"
html_static_path = ["_static"]
html_css_files, html_js_files = ["site.css"], ["site.js"]
html_copy_source = html_show_sourcelink = False
# Summaries are fetched, which no browser allows a page that was opened from disk.
html_show_search_summary = False
html_context = {"default_mode": "auto"}
html_theme_options = {
    "navbar_persistent": ["search-field"],
    "header_links_before_dropdown": 6,
    "navigation_with_keys": False,
    "show_toc_level": 2,
    "pygments_light_style": "a11y-high-contrast-light",
    "pygments_dark_style": "a11y-high-contrast-dark",
}


def setup(app: Sphinx) -> None:
    source = Path(app.srcdir)
    c_reference.write(source / "coeval.h", source / "reference" / "c")
    asked = [sys.executable, "-m", "coeval", "batch", "--help"]
    told = subprocess.run(asked, check=True, capture_output=True, text=True, env={**os.environ, "COLUMNS": "90"})
    page = BATCH.format(help=told.stdout.strip())
    (source / "reference" / "command" / "batch.md").write_text(page, encoding="utf-8")


BATCH = """# coeval batch

The command that the Python package adds. A task for it: [align an archive](../../how-to/archive.md).

```text
{help}
```
"""

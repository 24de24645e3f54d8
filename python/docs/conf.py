"""Sphinx reads this: ``.ci/docs`` builds the pages into build/docs, and a warning is an error."""

import lobetime

project = "lobetime"
copyright = "the lobetime authors"
version = release = lobetime.__version__

extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon", "sphinx.ext.mathjax"]
source_suffix = {".md": "markdown"}
exclude_patterns: list[str] = []
default_role = "py:obj"  # `read_cases` in a docstring is a link, where there is something to link to

autodoc_default_options = {
    "members": True,
    "member-order": "bysource",
    # Made by scikit-learn in every estimator.
    "exclude-members": "set_fit_request, set_predict_request, set_score_request",
}
autodoc_typehints = "signature"
autodoc_typehints_format = "short"
autodoc_inherit_docstrings = False
napoleon_google_docstring = False
napoleon_use_rtype = False
napoleon_use_ivar = True
napoleon_use_param = True

myst_enable_extensions = ["dollarmath", "amsmath", "deflist"]
myst_heading_anchors = 2

html_theme = "furo"
html_title = f"lobetime {version}"
html_show_sphinx = False
html_copy_source = False
# Pages are read in theatres without a network: formulas are shown by the browser from this folder, or as typed.
html_theme_options = {
    "light_css_variables": {"color-brand-primary": "#1f4e5f", "color-brand-content": "#1f4e5f"},
    "dark_css_variables": {"color-brand-primary": "#9fc5d1", "color-brand-content": "#9fc5d1"},
}

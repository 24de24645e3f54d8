"""Sphinx reads this: ``.ci/docs`` builds the pages into build/docs, and a warning is an error."""

from typing import Any

from docutils.utils.math import latex2mathml

import lobetime

project = "lobetime"
copyright = "the lobetime authors"
version = release = lobetime.__version__

extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
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
napoleon_use_ivar = False
napoleon_use_param = True

myst_enable_extensions = ["dollarmath", "amsmath", "deflist"]
myst_heading_anchors = 2

html_theme = "furo"
html_title = f"lobetime {version}"
html_show_sphinx = False
html_copy_source = False
html_theme_options = {
    "light_css_variables": {"color-brand-primary": "#1f4e5f", "color-brand-content": "#1f4e5f"},
    "dark_css_variables": {"color-brand-primary": "#9fc5d1", "color-brand-content": "#9fc5d1"},
}

html_math_renderer = "mathml"


def _inline(translator: Any, node: Any) -> None:
    translator.body.append(latex2mathml.tex2mathml(node.astext()))
    _skip()


def _block(translator: Any, node: Any) -> None:
    translator.body.append(
        f'<div class="math" style="padding: 0.6em 0">{latex2mathml.tex2mathml(node.astext(), as_block=True)}</div>'
    )
    _skip()


def _skip() -> None:
    from docutils import nodes

    raise nodes.SkipNode


def setup(app: Any) -> None:
    """Formulas as MathML: browsers show it and screen readers say it, without a network."""
    app.add_html_math_renderer("mathml", (_inline, None), (_block, None))

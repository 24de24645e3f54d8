"""Tables for people: HTML that stands alone and reads well aloud, and LaTeX; texts are escaped."""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

_TABLE = "border-collapse:collapse;text-align:left;font-size:90%"
_CAPTION = "caption-side:top;text-align:left;font-weight:bold;padding:.3em 0"
_CELL = "padding:.15em .7em .15em 0;vertical-align:top;border-bottom:1px solid #bbb;font-weight:normal"
_LATEX = {
    "\\": r"\textbackslash{}",
    "&": r"\&", "%": r"\%", "$": r"\$", "#": r"\#", "_": r"\_", "{": r"\{", "}": r"\}",
    "~": r"\textasciitilde{}", "^": r"\textasciicircum{}",
    "±": r"$\pm$", "·": r"$\cdot$", "×": r"$\times$", "−": r"$-$", "≥": r"$\ge$", "≤": r"$\le$", "–": "--",
}  # fmt: skip


def safe(text: object) -> str:
    """A text as it may stand in HTML: escaped, in one line, nothing unprintable."""
    words = " ".join(str(text).split())
    return html.escape("".join(c if c.isprintable() else repr(c)[1:-1] for c in words))


def latex(text: object) -> str:
    """A text as it may stand in LaTeX."""
    return "".join(_LATEX.get(c, c) for c in " ".join(str(text).split()))


@dataclass(frozen=True)
class Table:
    """A table of texts; the first column names its rows.

    Attributes
    ----------
    right : collection of int
        Columns of numbers, which are set flush right.
    """

    caption: str
    headings: Sequence[str]
    rows: Sequence[Sequence[str]]
    right: Iterable[int] = ()

    def to_html(self, *, styled: bool = True) -> str:
        """A table with caption and scopes; ``styled`` with its few styles inline, else for a page with its own."""
        right = set(self.right)

        def look(k: int, scope: str) -> str:
            if not styled:
                return ' class="n"' if k in right else ""
            align = ";text-align:right;white-space:nowrap" if k in right else ""
            return f' style="{_CELL}{align}{";font-weight:bold" if scope == "col" else ""}"'

        def cell(k: int, text: str, tag: str, scope: str = "") -> str:
            said = f' scope="{scope}"' if scope else ""
            return f"<{tag}{said}{look(k, scope)}>{safe(text)}</{tag}>"

        def line(row: Sequence[str]) -> str:
            first, *rest = row
            return cell(0, first, "th", "row") + "".join(cell(k, text, "td") for k, text in enumerate(rest, start=1))

        table, caption = (f' style="{_TABLE}"', f' style="{_CAPTION}"') if styled else ("", "")
        head = "".join(cell(k, text, "th", "col") for k, text in enumerate(self.headings))
        body = "\n".join(f"<tr>{line(row)}</tr>" for row in self.rows)
        return (
            f"<table{table}>\n<caption{caption}>{safe(self.caption)}</caption>\n"
            f"<thead><tr>{head}</tr></thead>\n<tbody>\n{body}\n</tbody>\n</table>"
        )

    def to_latex(self) -> str:
        r"""A table environment; it needs \usepackage{booktabs}."""
        right = set(self.right)
        spec = "".join("r" if k in right else "l" for k in range(len(self.headings)))
        lines = [" & ".join(map(latex, row)) + r" \\" for row in self.rows]
        head = " & ".join(map(latex, self.headings)) + r" \\"
        return "\n".join(
            [r"\begin{table}", rf"\caption{{{latex(self.caption)}}}", rf"\begin{{tabular}}{{{spec}}}", r"\toprule",
             head, r"\midrule", *lines, r"\bottomrule", r"\end{tabular}", r"\end{table}"]
        )  # fmt: skip

    def to_text(self, gap: int = 2) -> str:
        """Lines with the columns under one another."""
        right = set(self.right)
        table = [list(self.headings), *map(list, self.rows)]
        widths = [max(len(row[k]) for row in table) for k in range(len(self.headings))]

        def line(row: Sequence[str]) -> str:
            cells = (
                text.rjust(w) if k in right else text.ljust(w)
                for k, (text, w) in enumerate(zip(row, widths, strict=True))
            )
            return (" " * gap).join(cells).rstrip()  # fmt: skip

        rule = "-" * (sum(widths) + gap * (len(widths) - 1))
        return "\n".join([line(table[0]), rule, *map(line, table[1:])])


def paragraph(text: str, *, small: bool = False) -> str:
    return f'<p style="max-width:60em;margin:.5em 0{";font-size:85%" if small else ""}">{safe(text)}</p>'

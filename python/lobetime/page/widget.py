"""The page as a widget: the desk's answers, and a script that shows them."""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping, Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

try:
    import anywidget
    import traitlets
except ImportError as missing:
    raise ImportError("the scheduler's page needs anywidget: pip install 'lobetime[page]'") from missing

from ..caution import CAUTION
from .desk import Desk
from .uploads import Refused

_HERE = files("lobetime.page")
_FAILED = (
    "This could not be worked out, and nothing was kept of it. Other bookings may well work; if not, close the page "
    "and open it again."
)


class SchedulerPage(anywidget.AnyWidget):
    """Slots, phases, overrun risk and reasons of booked cases, for who does not write code.

    Messages of the browser name a question (``ask``), a number (``id``) that the answer repeats, and what the question
    needs; files come as buffers and stay in memory. Answers hold ``answer``, ``refused`` or ``failed``.
    """

    _esm = (_HERE / "scheduler.js").read_text(encoding="utf-8")
    _css = (_HERE / "scheduler.css").read_text(encoding="utf-8")
    start = traitlets.Dict().tag(sync=True)

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        super().__init__(start=desk.start())
        self.on_msg(self._heard)

    def __repr__(self) -> str:
        return f"<SchedulerPage: {self.desk.words()} {CAUTION}>"

    def _repr_mimebundle_(self, **settings: Any) -> Any:
        """What stands in the page's place where no widget can be shown is the whole text."""
        bundle = super()._repr_mimebundle_(**settings)
        data = bundle[0] if isinstance(bundle, tuple) else bundle
        if data is not None:
            data["text/plain"] = repr(self)
        return bundle

    def _heard(self, _: Any, asked: Mapping[str, Any], buffers: Sequence[Any]) -> None:
        reply: dict[str, Any] = {"id": asked.get("id")}
        content: list[bytes] = []
        try:
            reply["answer"] = self._answer(asked, buffers, content)
        except Refused as refused:
            told = {"title": refused.title, "words": refused.words}
            reply["refused"] = told | {"problems": refused.problems, "more": refused.more}
        except ImportError as error:
            reply["failed"] = str(error)
        except Exception:  # a traceback would show what was handed in, on the page and in the terminal
            reply["failed"] = _FAILED
        self.send(reply, content)

    def _answer(self, asked: Mapping[str, Any], buffers: Sequence[Any], content: list[bytes]) -> dict[str, Any]:
        desk, what = self.desk, asked.get("ask")
        if what == "choose":
            return desk.choose(str(asked["key"]))
        if what == "model_file":
            return desk.take_model(str(asked["name"]), bytes(buffers[0]))
        if what == "book":
            return desk.book({str(name): str(text) for name, text in asked["fields"].items()})
        if what == "bookings_file":
            return desk.take_bookings(str(asked["name"]), bytes(buffers[0]))
        if what == "demo_bookings":
            return desk.demo_bookings()
        if what == "agree":
            return desk.agree(asked["overrun_percent"], asked["round_to"])
        if what == "case":
            return desk.case(int(asked["at"]))
        if what == "risk":
            return desk.risk(int(asked["at"]), asked["minutes"])
        if what == "download":
            when = {name: asked.get(name, "") for name in ("day", "time", "turnover_min")}
            name, media, data = desk.download(str(asked["kind"]), **when)
            content.append(data)
            return {"name": name, "media": media}
        raise Refused("This cannot be asked", "The page knows no such question.")


def scheduler_page(
    history: str | os.PathLike[str] | None = None,
    *,
    columns: Mapping[str, str] | None = None,
    drop: Collection[str] = (),
    model: str | os.PathLike[str] | None = None,
) -> SchedulerPage:
    """The scheduler's page, to be shown as the last line of a cell.

    Parameters
    ----------
    history : path, optional
        Past cases to fit first, instead of a model file.
    columns : mapping, optional
        The history's own headings, as :func:`lobetime.read_cases` takes them.
    drop : collection of str, optional
        Headings of the history that are not looked at, as for :func:`lobetime.read_cases`.
    model : path, optional
        A model file. With neither, the one that ``lobetime page`` serves, or else published evidence alone.

    Raises
    ------
    InvalidData, InvalidModelFile
        As ``read_cases`` and ``load_model`` do.
    """
    # The whole package is needed only here: the server gets by without it.
    import lobetime as lt

    from .serve import MODEL_VARIABLE

    if history is not None and model is not None:
        raise lt.InvalidArgument("scheduler_page: give one of history and model, not both")
    if history is not None:
        fitted = lt.TheatreTimeModel().fit(lt.read_cases(history, columns=columns, drop=drop))
        return SchedulerPage(Desk(fitted, f"Your past cases of {Path(history).name}"))
    served = os.environ.get(MODEL_VARIABLE)
    if model is None and not served:
        return SchedulerPage(Desk())
    path = Path(model or str(served))
    name = f"Your model file {path.name}" if model is not None else "Your unit's model"
    return SchedulerPage(Desk(lt.load_model(path), name))

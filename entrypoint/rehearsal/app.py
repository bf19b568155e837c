"""The page's own requests: what is asked, what is answered, and nothing that opens a path.

Every answer is made here from the core: heads, tapes and scores. A refusal is a sentence. The
truth of a head leaves the server with the reveal and not before.
"""

from __future__ import annotations

import base64
import secrets
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from entrypoint.errors import EntrypointError, FieldRefused, InputError
from entrypoint.planning.model import Side
from entrypoint.rehearsal import page_words as words
from entrypoint.rehearsal.heads import LADDER, StageHead
from entrypoint.rehearsal.marks import marks_json, parse_marks
from entrypoint.rehearsal.page_progress import progress_json
from entrypoint.rehearsal.scoring import score
from entrypoint.rehearsal.section_picture import read_along, section_png
from entrypoint.rehearsal.session import Hidden, Session
from entrypoint.rehearsal.tape import lateral_tape, skin_at, tape_along
from entrypoint.rehearsal.turns import Shown, StagedHead, Stages, Turn, Turns
from entrypoint.rehearsal.wire import choice_of, number_of, object_of, point_of, unit_of

if TYPE_CHECKING:
    from entrypoint.rehearsal.roster import Roster
    from entrypoint.rehearsal.store import Store

__all__ = ["Exercise", "application"]

STATIC = Path(__file__).parent / "page"
# By name, so that no path is ever made from what a browser sends.
FILES = {
    "dom.js": "text/javascript",
    "main.js": "text/javascript",
    "page.css": "text/css",
    "pointer.js": "text/javascript",
    "progress.js": "text/javascript",
    "rehearsal.js": "text/javascript",
    "reveal.js": "text/javascript",
    "steps.js": "text/javascript",
    "three-LICENSE.txt": "text/plain",
    "three.min.js": "text/javascript",
    "view.js": "text/javascript",
}
_DELETE = "delete everything"
_DRAPE_OFF_MM, _DRAPE_ASKEW = 24.0, 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Exercise:
    """What is rehearsed, by whom, and where it is kept.

    Parameters
    ----------
    roster : Roster
        Who rehearses.
    store : Store
    stages : Stages
    session : Session, optional
        Heads in a fixed order, with what is hidden and what passes.
    own_title : str or None
        Title of the user's own scan, where one was given.
    """

    roster: Roster
    store: Store
    stages: Stages
    session: Session | None = None
    own_title: str | None = None


def application(exercise: Exercise) -> Starlette:
    """The page as an ASGI application; paths are those behind the token."""
    page = _Page(exercise)
    get, post = ["GET"], ["POST"]
    return Starlette(
        routes=[
            Route("/", page.index, methods=get),
            Route("/static/{name}", page.static, methods=get),
            Route("/state", page.guarded(page.state), methods=get),
            Route("/mesh/{number}", page.guarded(page.mesh), methods=get),
            Route("/progress", page.guarded(page.progress), methods=get),
            Route("/export.csv", page.guarded(page.export_csv), methods=get),
            Route("/export.json", page.guarded(page.export_json), methods=get),
            Route("/stage", page.answering(page.stage, "person", "key", "shown"), methods=post),
            Route("/skin", page.answering(page.skin, "turn", "point_mm"), methods=post),
            Route(
                "/tape",
                page.answering(
                    page.tape, "turn", "kind", "nasion_mm", "midline_mm", "towards_mm", "length_mm"
                ),
                methods=post,
            ),
            Route(
                "/section",
                page.answering(page.section, "turn", "entry_mm", "unit_inward", "side"),
                methods=post,
            ),
            Route("/reveal", page.answering(page.reveal, "turn", "marks"), methods=post),
            Route("/delete", page.answering(page.delete, "confirm"), methods=post),
        ]
    )


Handler = Callable[[Request], Response]


class _Page:
    def __init__(self, exercise: Exercise) -> None:
        self.exercise = exercise
        self.turns = Turns()
        self.meshes: list[str] = []  # keys of heads, by the number in a mesh's address

    # ------------------------------------------------------------ wrapping

    def guarded(self, answer: Handler) -> Handler:
        """An answer, or a refusal in one sentence."""

        def wrapped(request: Request) -> Response:
            try:
                return answer(request)
            except EntrypointError as error:
                status = 400 if isinstance(error, InputError) else 422
                return JSONResponse({"refused": str(error)}, status)

        return wrapped

    def answering(
        self, answer: Callable[[dict[str, Any]], dict[str, Any]], *names: str
    ) -> Callable[[Request], Any]:
        """An answer to a posted object with these fields, made off the server's own thread."""
        known = frozenset(names)

        def made(body: bytes) -> Response:
            return JSONResponse(answer(object_of(body, names=known)))

        async def wrapped(request: Request) -> Response:
            from starlette.concurrency import run_in_threadpool

            body = await request.body()
            guarded = self.guarded(lambda _: made(body))
            return await run_in_threadpool(guarded, request)

        return wrapped

    # ------------------------------------------------------------ page and files

    def index(self, _: Request) -> Response:
        return FileResponse(STATIC / "index.html", media_type="text/html")

    def static(self, request: Request) -> Response:
        name = request.path_params["name"]
        if name not in FILES:
            return JSONResponse({"refused": "The page has no such file."}, 404)
        return FileResponse(STATIC / name, media_type=FILES[name])

    # ------------------------------------------------------------ what there is

    def state(self, _: Request) -> Response:
        exercise = self.exercise
        own = []
        if exercise.own_title is not None:
            own = [{"key": "volume", "title": exercise.own_title, "text": words.OWN_SCAN}]
        heads = [{"key": f"ladder:{s.key}", "title": s.title, "text": s.text} for s in LADDER]
        return JSONResponse(
            {
                "people": {
                    "places": exercise.roster.places,
                    "suggested": list(
                        dict.fromkeys(exercise.roster.taken + exercise.roster.suggested)
                    ),
                },
                "heads": own + heads,
                "session": self._session(),
                **words.page_words(),
            }
        )

    def _session(self) -> dict[str, Any] | None:
        session = self.exercise.session
        if session is None:
            return None
        return {
            "title": session.title,
            "heads": len(session.heads),
            "words": words.session_words(session),
            "done": {person: self._done(person) for person in self.exercise.store.people()},
        }

    def _done(self, person: str) -> int:
        session = self.exercise.session
        assert session is not None
        kept = self.exercise.store.attempts(person)
        return sum(a.session == session.title for a in kept)

    # ------------------------------------------------------------ a turn on a head

    def stage(self, given: dict[str, Any]) -> dict[str, Any]:
        exercise = self.exercise
        person = exercise.roster.begins(given.get("person"))
        session = exercise.session
        number, seat, text = None, None, None
        if session is not None:
            done = self._done(person) % len(session.heads)  # a session can be done again
            number = done + 1
            asked = session.heads_for(person)[done]
            key, side, seat, text = asked.head, asked.side, asked.seat, asked.text
            shown = Shown(
                numbers=Hidden.TAPE_NUMBERS not in session.hidden,
                midline=Hidden.MIDLINE not in session.hidden,
                suture=Hidden.SUTURE not in session.hidden,
            )
        else:
            key, side, shown = self._key(given.get("key")), None, _shown(given.get("shown"))
        staged = exercise.stages.get(key)
        head = staged.head
        sides = head.sides
        if side is None or side not in sides:
            side = secrets.choice(sides)
        turn = self.turns.begin(
            key=key,
            person=person,
            side_asked=side.value,
            seat_asked=seat,
            shown=shown,
            told=text,
            number=number,
        )
        return self._turn_json(turn, staged)

    def _key(self, value: Any) -> str:
        if value == "volume" and self.exercise.own_title is not None:
            return "volume"
        if not isinstance(value, str) or not value.startswith(("ladder:", "random:")):
            raise FieldRefused(
                found="no head of this page was chosen",
                expected="a head of the list, or a random head by its number",
                next_step="choose one",
            )
        return value

    def _turn_json(self, turn: Turn, staged: StagedHead) -> dict[str, Any]:
        head, session = staged.head, self.exercise.session
        if turn.key not in self.meshes:
            self.meshes.append(turn.key)
        felt = turn.shown.suture and head.suture_felt
        parts = head.parts
        return {
            "turn": turn.code,
            "mesh": f"mesh/{self.meshes.index(turn.key)}",
            "person": turn.person if self.exercise.roster.places > 1 else "",
            "side_asked": turn.side_asked,
            "seat_asked": turn.seat_asked,
            "told": turn.told,
            "shown": {"numbers": turn.shown.numbers},
            "midline_mm": _listed(parts.head.midline_skin_mm) if turn.shown.midline else None,
            "suture_mm": _listed(parts.suture.curve_mm) if felt else None,
            "time_limit_s": None if session is None else session.time_limit_s,
            "estimate": words.estimate(),
            **head.to_json(),
            "suture_hidden": turn.shown.suture and not head.suture_felt,
            "drape": _drape(head, turn.side_asked) if head.draped else None,
        }

    def mesh(self, request: Request) -> Response:
        number = request.path_params["number"]
        if not (number.isascii() and number.isdigit() and int(number[:6]) < len(self.meshes)):
            return JSONResponse({"refused": "The page has no such head."}, 404)
        staged = self.exercise.stages.get(self.meshes[int(number[:6])])
        return Response(staged.mesh, media_type="application/octet-stream")

    def _on(self, given: dict[str, Any]) -> tuple[Turn, StageHead]:
        code = given.get("turn")
        turn = self.turns.get(code if isinstance(code, str) else "")
        return turn, self.exercise.stages.get(turn.key).head

    def skin(self, given: dict[str, Any]) -> dict[str, Any]:
        _, head = self._on(given)
        return {"point_mm": _listed(skin_at(head, point_of(given.get("point_mm"), "point_mm")))}

    def tape(self, given: dict[str, Any]) -> dict[str, Any]:
        turn, head = self._on(given)
        kind = choice_of(given.get("kind"), "kind", ("midline", "lateral"))
        start = "nasion_mm" if kind == "midline" else "midline_mm"
        lay = tape_along if kind == "midline" else lateral_tape
        towards = point_of(given.get("towards_mm"), "towards_mm")
        laid = lay(head, point_of(given.get(start), start), towards)
        length = laid.drawn_mm
        if given.get("length_mm") is not None:
            length = number_of(given["length_mm"], "length_mm", 1.0, 400.0)
        length = min(length, laid.length_mm)
        return {
            **words.tape_json(laid, length, numbers=turn.shown.numbers),
            "end_mm": _listed(skin_at(head, laid.at(length))),
            "towards_mm": _listed(towards),
        }

    def section(self, given: dict[str, Any]) -> dict[str, Any]:
        _, head = self._on(given)
        entry = point_of(given.get("entry_mm"), "entry_mm")
        inward = unit_of(given.get("unit_inward"), "unit_inward")
        on_skin = skin_at(head, entry)
        along = read_along(head, on_skin, inward)
        png = section_png(head.parts.head, on_skin, inward, along)
        return {
            "png": "data:image/png;base64," + base64.b64encode(png).decode("ascii"),
            "words": words.section_words(head, along),
        }

    def reveal(self, given: dict[str, Any]) -> dict[str, Any]:
        turn, head = self._on(given)
        marks = parse_marks(given.get("marks") or {})
        session = self.exercise.session
        most_past = None if session is None else session.pass_marks.past_inner_mm
        with turn.lock:  # a second press is answered with what was kept
            if turn.answer is None:
                result = score(
                    head,
                    marks,
                    asked_side=Side(turn.side_asked),
                    asked_seat=turn.seat_asked,
                    most_past_inner_mm=most_past,
                )
                answer = words.reveal_json(result, session)
                # Kept before it is shown: what a trainee has seen is never lost.
                answer["number"] = self.exercise.store.add(
                    turn.person,
                    head.key,
                    None if session is None else session.title,
                    marks_json(marks),
                    answer["score"],
                )
                turn.answer = answer
            return turn.answer

    # ------------------------------------------------------------ what is kept

    def progress(self, request: Request) -> Response:
        exercise = self.exercise
        person = exercise.roster.known(request.query_params.get("person") or None)
        return JSONResponse(progress_json(exercise.store.attempts(person), exercise.session))

    def export_csv(self, _: Request) -> Response:
        return _download(self.exercise.store.export_csv(), "text/csv", "rehearsals.csv")

    def export_json(self, _: Request) -> Response:
        return _download(self.exercise.store.export_json(), "application/json", "rehearsals.json")

    def delete(self, given: dict[str, Any]) -> dict[str, Any]:
        choice_of(given.get("confirm"), "confirm", (_DELETE,))
        self.exercise.store.delete_all()
        return {"deleted": True}


def _drape(head: StageHead, side_asked: str) -> dict[str, Any]:
    """The edge of a cloth over the other half: off the midline and askew, so as not to show it."""
    plane, frame = head.parts.midsagittal, head.parts.head.frame
    away = plane.unit_normal if side_asked == Side.LEFT.value else -plane.unit_normal
    askew = away + _DRAPE_ASKEW * frame.unit_superior
    return {
        "point_mm": _listed(frame.origin_mm + _DRAPE_OFF_MM * away),
        "unit_normal": _listed(askew / np.linalg.norm(askew)),
    }


def _shown(value: Any) -> Shown:
    names = ("numbers", "midline", "suture")
    if not isinstance(value, dict) or set(value) != set(names) or not all(
        isinstance(v, bool) for v in value.values()
    ):  # fmt: skip
        raise FieldRefused(
            found="what is to be shown was not said",
            expected="yes or no for " + ", ".join(names),
            next_step="reload the page and choose again",
        )
    return Shown(**value)


def _listed(points: Iterable[Any]) -> Any:
    return np.asarray(points, dtype=np.float64).tolist()


def _download(text: str, kind: str, name: str) -> Response:
    return Response(
        text, media_type=kind, headers={"Content-Disposition": f'attachment; filename="{name}"'}
    )

"""The judging page over HTTP: on this machine alone, and deaf to every page but its own.

A service on the loopback can be reached by any page that a browser shows. So a request must name this machine as its
host (a foreign name that was pointed here is refused), whatever changes something must come from the page itself
(`Origin`, RFC 6454) and be JSON, and bodies are small.
"""

from __future__ import annotations

import asyncio
import re
import socket
import webbrowser
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated, Any

import jinja2
import uvicorn
from fastapi import FastAPI, Query, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse
from fastapi.staticfiles import StaticFiles
from pydantic import BaseModel, ConfigDict, Field
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from pipeline.errors import PhotoError, ScreeningError
from pipeline.judging.answers import AnsweredMeanwhile, DecalMark, Mark, Place, ShotMark, ThroughMark, judging_settings
from pipeline.judging.desk import Desk, NotFitting, NotThere, check_reader
from pipeline.judging.pictures import Pictures, Shown, photo_files
from pipeline.records import DETECTED_CUES
from pipeline.report import wording
from pipeline.store import Store, read_shortlist

ADDRESS = "127.0.0.1"
OWN_HOST = re.compile(r"(127\.0\.0\.1|localhost)(:[0-9]{1,5})?")
MOST_BODY_BYTES = 64 * 1024
SAFE_METHODS = ("GET", "HEAD")
HEADERS = (
    (
        "content-security-policy",
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self';"
        " base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    ),
    ("cross-origin-resource-policy", "same-origin"),
    ("cross-origin-opener-policy", "same-origin"),
    ("referrer-policy", "no-referrer"),
    ("x-content-type-options", "nosniff"),
)
KEEP = {"cache-control": "private, max-age=86400, immutable"}  # a photo's address holds its digest

Tab = Annotated[str, Field(pattern=r"^[0-9a-f]{8,64}$")]


class AnswerBody(BaseModel):
    """What the page sends for an answer."""

    model_config = ConfigDict(extra="forbid")

    advert: str
    sha256: str
    item: str = Field(max_length=120)
    content: Mark | ShotMark | ThroughMark | DecalMark = Field(discriminator="kind")
    seen: int = Field(ge=0)
    tab: Tab


class UndoBody(BaseModel):
    """What the page sends to take its last answer back."""

    model_config = ConfigDict(extra="forbid")

    advert: str
    tab: Tab


class Guard:
    """Refuses what does not come from this machine's own page, before anything reads it."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        refusal = self._refusal(request)
        if refusal is not None:
            await refusal(scope, receive, send)
            return
        body = b""
        if request.method not in SAFE_METHODS:
            more = True
            while more:
                message = await receive()
                if message["type"] == "http.disconnect":
                    return
                body += message.get("body", b"")
                more = message.get("more_body", False)
                if len(body) > MOST_BODY_BYTES:
                    await _fault(413, "the request is too large", "send less")(scope, receive, send)
                    return
        sent = False

        async def read_again() -> Message:
            nonlocal sent
            if sent:
                return await receive()
            sent = True
            return {"type": "http.request", "body": body, "more_body": False}

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message["headers"], *((k.encode(), v.encode()) for k, v in HEADERS)]
            await send(message)

        await self._app(scope, read_again, with_headers)

    @staticmethod
    def _refusal(request: Request) -> Response | None:
        host = request.headers.get("host", "")
        if not OWN_HOST.fullmatch(host):
            return _fault(403, "the request names another host", "open the address that maskline judge printed")
        if request.method in SAFE_METHODS:
            return None
        if request.headers.get("origin") != f"http://{host}":
            return _fault(403, "the request comes from another page", "answer on the page itself")
        if request.headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
            return _fault(415, "the request is no JSON", "answer on the page itself")
        return None


def make_app(desk: Desk, *, made_with: str, quiet_s: float | None = None) -> FastAPI:
    """The service for one reader. `quiet_s`: the outputs are written once no answer has come for so long (s)."""
    pictures, changed = desk.pictures, asyncio.Event()
    wait_s = judging_settings().quiet_s if quiet_s is None else quiet_s

    async def write_when_quiet() -> None:
        while True:
            await changed.wait()
            while changed.is_set():
                changed.clear()
                await asyncio.sleep(wait_s)
            await asyncio.to_thread(desk.write)

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        if desk.is_behind:  # answers of a session that was killed
            changed.set()
        writer = asyncio.create_task(write_when_quiet())
        try:
            yield
        finally:
            writer.cancel()
            await asyncio.to_thread(desk.write)

    app = FastAPI(title="maskline", docs_url=None, redoc_url=None, openapi_url=None, lifespan=lifespan)
    app.add_middleware(Guard)
    folder = Path(__file__).parent
    app.mount("/assets", StaticFiles(directory=folder / "assets"))
    app.mount("/report-assets", StaticFiles(directory=folder.parent / "report" / "assets"))
    templates = jinja2.Environment(
        loader=jinja2.FileSystemLoader(folder / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    templates.policies["json.dumps_kwargs"] = {"sort_keys": False}  # causes and cues keep their order
    templates.globals.update(wording=wording, made_with=made_with, reader=desk.reader)
    templates.filters.update(percent=wording.percent)

    pages = {name: templates.get_template(f"{name}.html.j2") for name in ("overview", "sheet", "fault")}

    @app.exception_handler(ScreeningError)
    async def say(request: Request, error: ScreeningError) -> Response:
        status = 404 if isinstance(error, NotThere | PhotoError) else 422 if isinstance(error, NotFitting) else 500
        if "text/html" in request.headers.get("accept", ""):
            page = pages["fault"].render(fault=error.fault, remedy=error.remedy)
            return HTMLResponse(page, status)
        return _fault(status, f"{error.file}: {error.fault}", error.remedy)

    @app.exception_handler(RequestValidationError)
    async def say_what_is_wrong(_: Request, error: RequestValidationError) -> Response:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        return _fault(422, f"{where}: {first['msg']}", "load the page again")

    @app.exception_handler(AnsweredMeanwhile)
    async def say_what_holds(_: Request, error: AnsweredMeanwhile) -> Response:
        newest = error.newest
        content = None if newest.content is None else newest.content.model_dump(mode="json")
        return JSONResponse(
            {
                "fault": "it was answered in another tab since",
                "remedy": "keep that or answer again",
                "sha256": newest.sha256,
                "item": newest.item,
                "answer": content,
                "version": newest.number,
            },
            409,
        )

    @app.get("/", response_class=HTMLResponse)
    async def overview() -> str:
        return pages["overview"].render(rows=desk.overview(), pairs=desk.agreements())

    @app.get("/sheet", response_class=HTMLResponse)
    async def sheet(advert: str, zone: str = "all") -> str:
        content = desk.sheet(advert, zone)
        return pages["sheet"].render(sheet=content, vocabulary=desk.vocabulary())

    @app.get("/api/sheet")
    async def sheet_again(advert: str, zone: str) -> Response:
        return JSONResponse(desk.sheet(advert, zone))

    @app.get("/api/status")
    async def status(advert: str) -> dict[str, Any]:
        return desk.status(advert)

    @app.post("/api/answer")
    async def answer(body: AnswerBody) -> dict[str, Any]:
        now = desk.put(body.advert, body.sha256, body.item, body.content, body.seen, body.tab)
        changed.set()
        return now

    @app.post("/api/undo")
    async def undo(body: UndoBody) -> dict[str, Any]:
        now = desk.undo(body.advert, body.tab)
        if now is not None:
            changed.set()
        return now or {"item": None}

    # pictures are decoded beside the loop, so that an answer never waits for one
    @app.get("/photo/{sha256}")
    def photo(sha256: str) -> Response:
        return Response(pictures.whole(_shown(desk, sha256)), media_type="image/jpeg", headers=KEEP)

    @app.get("/small/{sha256}")
    def small(sha256: str) -> Response:
        return Response(pictures.small(_shown(desk, sha256)), media_type="image/jpeg", headers=KEEP)

    @app.get("/cut/{sha256}")
    def cut(
        sha256: str,
        x: Annotated[int, Query(ge=0)],
        y: Annotated[int, Query(ge=0)],
        width: Annotated[int, Query(gt=0)],
        height: Annotated[int, Query(gt=0)],
    ) -> Response:
        place = Place(x=x, y=y, width=width, height=height)
        content = pictures.cut(_shown(desk, sha256), place)
        return Response(content, media_type="image/jpeg", headers=KEEP)

    @app.get("/heat/{sha256}/{cue}")
    def heat(sha256: str, cue: str) -> Response:
        if cue not in DETECTED_CUES:
            raise NotThere(cue, "there is no such cue", "load the page again")
        content = pictures.heat(_shown(desk, sha256).sha256, cue)
        if content is None:
            raise NotThere(cue, "no heat was kept for it in this photo", "screen again to have it")
        return Response(content, media_type="image/png")

    return app


def _shown(desk: Desk, sha256: str) -> Shown:
    if sha256 not in desk.photos:
        raise NotThere(sha256[:12], "there is no such photo in this screening", "load the page again")
    return desk.photos[sha256]


def _fault(status: int, fault: str, remedy: str) -> JSONResponse:
    """Every failure has this shape."""
    return JSONResponse({"fault": fault, "remedy": remedy}, status)


def judge(
    out: Path,
    reader: str,
    *,
    port: int,
    batch: Path | None = None,
    open_browser: bool = True,
    announce: Callable[[str], None] = print,
) -> None:
    """Serve the judging page of one screening until it is stopped; the outputs are written on the way and at the end.

    `batch`: where the photos lie, if they were moved since. Raises UsageError where `out` holds no screening,
    ScreeningError where another process holds it, the port is taken, or the outputs cannot be written at the end.
    """
    reader = check_reader(reader)
    read_shortlist(out)  # says what is wrong before a store is made where none was
    with TemporaryDirectory(prefix="maskline-") as unpacked, Store.open(out) as store:
        screened = store.screened()
        files = photo_files(str(batch) if batch else screened.batch, Path(unpacked))
        desk = Desk(store, out, reader, Pictures(out, files))
        missing = sum((shown.advert, shown.name) not in files for shown in desk.photos.values())
        app = make_app(desk, made_with=screened.made_with)
        with _listening(port) as listener:
            address = f"http://{ADDRESS}:{listener.getsockname()[1]}/"
            announce(f"Judging as {reader}: {address}")
            if missing:
                announce(
                    f"{missing} of {len(desk.photos)} photos are not where they were screened and are shown reduced;"
                    " name their folder with --batch."
                )
            announce("Every answer is saved at once. Stop with Ctrl+C.")
            if open_browser:
                webbrowser.open(address)
            server = uvicorn.Server(uvicorn.Config(app, log_level="warning", access_log=False, server_header=False))
            with suppress(KeyboardInterrupt):  # the usual way to stop
                server.run(sockets=[listener])
    if desk.trouble is not None:
        raise ScreeningError(out, f"the answers are kept, but not in the outputs yet ({desk.trouble})", "judge again")


def _listening(port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((ADDRESS, port))
        listener.listen()  # whoever reads the address may come at once, and waits until the server is up
    except OSError as error:
        listener.close()
        fault = f"the port cannot be used ({error.strerror})"
        raise ScreeningError(f"--port {port}", fault, "choose another --port, or stop the other program") from None
    return listener

"""The application: paths joined, errors as JSON, a description in OpenAPI 3.1, no pages."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException

from refreshd import __version__
from refreshd.api import acting, reading
from refreshd.api.asking import LINES
from refreshd.api.office import JSON, Office
from refreshd.errors import (
    DriveError,
    InvariantBrokenError,
    PolicyError,
    RefreshdError,
    RefusedError,
    UnknownDriveError,
    UsageError,
)
from refreshd.messages import ErrorTold, told
from refreshd.reception.wire import PREFIX, Failure

DESCRIPTION = """\
Look at a shelf of drives and act on it, while its daemon runs. It listens on a Unix socket alone.
Who is at the other end is asked of the kernel; which groups may look (GET) and which may act
(everything else) is in the policy, in the table access. Errors have one form; their exit code is
that of the command line. What takes long is told live, one JSON object a line.
"""

_STATUS: tuple[tuple[type[RefreshdError], int], ...] = (
    (UnknownDriveError, 404),
    (UsageError, 400),
    (PolicyError, 409),
    (RefusedError, 409),
    (DriveError, 503),
)
_PROBLEMS_TOLD = 5
BUG_CODE = InvariantBrokenError.exit_code


class _Described(FastAPI):
    """An application whose description is right about what goes wrong in a stream, too."""

    def openapi(self) -> dict[str, Any]:
        """Return the description: a stream that is refused is answered in JSON like the rest."""
        found = super().openapi()
        answers = (
            answer.get("content", {})
            for path in found["paths"].values()
            for asked in path.values()
            for status, answer in asked["responses"].items()
            if status != "200"
        )
        for content in answers:
            if LINES in content:
                content[JSON] = content.pop(LINES)
        return found


def make_app(office: Office) -> FastAPI:
    """Return the application over an office."""
    app = _Described(
        title="refreshd",
        version=__version__,
        summary="The one interface of the service.",
        description=DESCRIPTION,
        openapi_url=f"{PREFIX}/openapi.json",
        docs_url=None,  # They would be pages, and load scripts from a network.
        redoc_url=None,
        redirect_slashes=False,  # A redirection would be made from the Host header.
    )
    app.state.office = office
    app.include_router(reading.router)
    app.include_router(acting.router)
    app.add_exception_handler(RefreshdError, _on_error)
    app.add_exception_handler(Exception, _on_bug)
    app.add_exception_handler(HTTPException, _on_wrong_path)
    app.add_exception_handler(RequestValidationError, _on_wrong_form)
    return app


def _failed(status: int, error: ErrorTold, headers: dict[str, str] | None = None) -> Response:
    body = Failure(error=error).model_dump_json()
    return Response(body, status, headers=headers, media_type=JSON)


async def _on_error(_: Request, err: Exception) -> Response:
    if not isinstance(err, RefreshdError):
        raise TypeError("only errors of ours come here") from err
    status = next((code for kind, code in _STATUS if isinstance(err, kind)), 503)
    return _failed(status, told(err))


async def _on_bug(_: Request, err: Exception) -> Response:
    """Answer, and let the server log it; the message is for whoever reports it."""
    message = f"{type(err).__name__}: {err}; a fault of refreshd, please report it"
    return _failed(500, ErrorTold(kind="InvariantBrokenError", message=message, exit_code=BUG_CODE))


async def _on_wrong_path(_: Request, err: Exception) -> Response:
    if not isinstance(err, HTTPException):
        raise TypeError("only errors of the paths come here") from err
    error = UsageError(f"{err.detail}; {PREFIX}/openapi.json says what there is")
    return _failed(err.status_code, told(error), dict(err.headers or {}))


async def _on_wrong_form(_: Request, err: Exception) -> Response:
    if not isinstance(err, RequestValidationError):
        raise TypeError("only errors of the form come here") from err
    problems = [
        f"{'.'.join(str(one) for one in problem['loc'])}: {problem['msg']}"
        for problem in err.errors()[:_PROBLEMS_TOLD]
    ]
    return _failed(422, told(UsageError("; ".join(problems))))

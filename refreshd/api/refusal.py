"""The one answer that whoever is not let in gets, whatever was asked and however."""

from __future__ import annotations

from refreshd.errors import RefusedError
from refreshd.messages import told
from refreshd.reception.wire import Failure

REFUSAL = Failure(
    error=told(
        RefusedError(
            "this service answers root and the groups that its policy names ([access] look_group "
            "and act_group); ask the administrator to be in one of them, and log in anew"
        )
    )
)
REFUSAL_BODY = REFUSAL.model_dump_json().encode()

REFUSAL_HEADERS = (
    (b"content-type", b"application/json"),
    (b"content-length", str(len(REFUSAL_BODY)).encode()),
    (b"connection", b"close"),
)

REFUSAL_BYTES = (
    b"HTTP/1.1 403 Forbidden\r\n"
    + b"".join(name + b": " + value + b"\r\n" for name, value in REFUSAL_HEADERS[:-1])
    + b"Connection: close\r\n"  # as h11 writes it
    + b"\r\n"
    + REFUSAL_BODY
)
"""The same answer for what is no request at all."""

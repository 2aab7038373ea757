"""Say whether the program and its database answer; nothing of a record."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint

from registry.domain.problems import FailureError
from registry.store.queries.people import local_operator
from registry.web.context import current_ledger
from registry.web.guard import open_to_all

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

health = Blueprint("health", __name__)


@health.get("/health.json")
@open_to_all
def show() -> ResponseReturnValue:
    """Answer 200 while the ledger can be read, 500 otherwise."""
    with current_ledger().reading() as session:
        if local_operator(session) is None:
            raise FailureError("the shell's own account is missing")
    return {"answers": True}

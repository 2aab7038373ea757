"""List the accounts."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, render_template, request

from registry.domain.access import Deed, Reach
from registry.store.queries.accounts import listed_accounts
from registry.web.context import current_ledger, current_viewer, now
from registry.web.guard import needs
from registry.web.paging import page_of

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

accounts = Blueprint("accounts", __name__, template_folder="templates")


@accounts.get("/accounts")
@needs(Deed.MANAGE_ACCOUNTS, at_least=Reach.ALL)
def show() -> ResponseReturnValue:
    """Show who can sign in and as what."""
    with current_ledger().reading() as session:
        found = listed_accounts(session, current_viewer(), now())
    return render_template("accounts/list.html", page=page_of(found, request.args.get("page")))

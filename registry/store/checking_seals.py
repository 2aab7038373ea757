"""What `verify` finds wrong with the seals that a ledger keeps: signature, numbers, records."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import text

from registry.store.sealing.checking import check_kept
from registry.store.sealing.signing import public_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sqlalchemy.orm import Session

_ROWS = "SELECT id, period, manifest, signature, numbers, records FROM quarter_seal ORDER BY id"


def check_seals(session: Session, key: bytes | None) -> Iterator[tuple[str, str]]:
    """Yield what is wrong with each kept seal: the record's name, and the words.

    Each signature is checked under the public key of the ledger's own private one.
    """
    rows = session.execute(text(_ROWS)).all()
    if rows and key is None:
        yield "key of seals", "is not in the folder of keys; put the ledger's own folder back"
    public = None if key is None else public_of(key)
    for row in rows:
        for fault in _faults(row, public):
            yield f"quarter_seal:{row.id}", fault


def _faults(row: Any, public: bytes | None) -> list[str]:  # noqa: ANN401 - raw values of any kind
    texts = (row.period, row.manifest, row.signature, row.numbers, row.records)
    if not all(isinstance(each, str) for each in texts):
        return ["is not written as a seal is"]
    period, manifest, signature, kept, records = (_bytes(each) for each in texts)
    name = f"{period.decode('utf-8', 'replace')}.json"
    return check_kept(manifest, signature, kept, records, name=name, key=public)


def _bytes(stored: str) -> bytes:
    # What is no UTF-8 was read with marks for its bytes: they go back as they were.
    return stored.encode("utf-8", "surrogateescape")

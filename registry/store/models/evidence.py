"""What a reading was made on: its picture in the image folder, and the data behind it."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from registry.store.columns import Instant, Secret
from registry.store.models.base import Tracked


class Evidence(Tracked):
    """The picture that was kept with a reading, and what it was drawn from.

    `document` is JSON beside the reading's own marks; the trail names it by its digest, since it
    is long. Two readings may have the same picture. `removed_at` says that the picture was deleted
    with its patient's images; the document is empty then.
    """

    __tablename__ = "evidence"

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    reading_id: Mapped[int] = mapped_column(ForeignKey("reading.id"), unique=True)
    screw_id: Mapped[int] = mapped_column(ForeignKey("screw.id"), index=True)
    picture_digest: Mapped[str] = mapped_column(String(64), index=True)
    document: Mapped[str] = mapped_column(Secret)
    kept_at: Mapped[datetime] = mapped_column(Instant)
    removed_at: Mapped[datetime | None] = mapped_column(Instant)
    version: Mapped[int]

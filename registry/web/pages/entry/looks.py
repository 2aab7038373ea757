"""What a draft is told as it is typed: rules of the trade, and what its stickers say."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from registry.domain.checks import ScrewFacts, Warned, case_warnings
from registry.domain.techniques import EntryTechnique, Life
from registry.intake.entered import CASE, SCREW, read_fields
from registry.intake.implant_codes import read_implant_code
from registry.web.pages.entry.drafts import place_key

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from registry.intake.entered import ScrewPlace
    from registry.web.pages.entry.drafts import Draft


@dataclass(frozen=True)
class Look:
    """Notes, which refuse nothing, and what each sticker says, by the key of its place."""

    notes: Sequence[Warned]
    stickers: Mapping[str, Sequence[str]]

    def as_json(self) -> dict[str, Any]:
        """Return it as the page's script takes it."""
        return {
            "notes": [f"{note.screw}: {note.text}" for note in self.notes],
            "stickers": {key: list(lines) for key, lines in self.stickers.items()},
        }


def look_over(draft: Draft) -> Look:
    """Return what is to be said of a draft; what cannot be read yet is left out."""
    day = read_fields(CASE, draft.case)[0]["operated_on"]
    stickers = {
        place_key(place): read_implant_code(text).lines(day)
        for place, texts in draft.there.items()
        if (text := texts["implant_identifier"].strip())
    }
    facts = [_facts(place, texts) for place, texts in draft.there.items()]
    return Look(case_warnings(facts), stickers)


def _facts(place: ScrewPlace, texts: Mapping[str, str]) -> ScrewFacts:
    found, _ = read_fields(SCREW, texts)
    return ScrewFacts(
        place.level,
        place.side.value,
        place.number,
        # Other exists at every level: without a technique nothing is said of it.
        found["entry_technique"] or EntryTechnique.OTHER,
        found["life"] or Life.PLACED,
        found["diameter_mm"],
        found["length_mm"],
        found["intention"],
    )

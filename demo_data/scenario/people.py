"""The invented people: every name is made up, most surnames say so in some language."""

from __future__ import annotations

from dataclasses import dataclass

NOTE = "An invented scenario: the unit, its people, its patients and every number are made up."
UNIT_NAME = "Invented spinal unit (demo, nothing in it is real)"

STANDARD_PERCENT = 8
STANDARD_WORDS = "an invented unit's aim"
POLICY_WORDS = (
    "Tell the spinal registrar on call by telephone today and give the number of the finding. "
    "This is an invented unit's policy."
)
POLICY_MM = {"medial": 4, "caudal": 4}
"""From these extents on, in millimetres, a first reading meets that policy."""

DEGENERATIVE_SURGEON = "Hanna Erfunden"
TRAUMA_SURGEON = "Deniz Uydurma"
DEFORMITY_SURGEON = "Ravi Kalpanik"
TUMOUR_SURGEON = "Lucía Inventada"
PERCUTANEOUS_SURGEON = "Aiko Kakuu"
TEACHING_SURGEON = "Samuel Notreal"

TRAINEES = ("Femi Pretend", "Ingrid Påhittad", "Noor Khayali", "Maeve Madeup")
"""They operate under supervision and assist."""

REGISTRAR = "Elif Imagined"
FELLOW = "Mateo Ficticio"
RADIOLOGIST = "Wei Xugou"
READERS = (REGISTRAR, FELLOW, RADIOLOGIST)
"""The fellow also assists, and never reads those cases; the other two are never in theatre."""

ADJUDICATOR = "Greta Fingida"
"""The quality lead, who decides where two readings differ."""


@dataclass(frozen=True)
class InventedAccount:
    """Somebody to sign in as; `roles` as the command line takes them."""

    name: str
    roles: str
    person: str | None


ACCOUNTS = (
    InventedAccount("elif", "registrar", REGISTRAR),
    InventedAccount("mateo", "registrar", FELLOW),
    InventedAccount("hanna", "surgeon", DEGENERATIVE_SURGEON),
    InventedAccount("deniz", "surgeon", TRAUMA_SURGEON),
    InventedAccount("ravi", "surgeon", DEFORMITY_SURGEON),
    InventedAccount("lucia", "surgeon", TUMOUR_SURGEON),
    InventedAccount("aiko", "surgeon", PERCUTANEOUS_SURGEON),
    InventedAccount("samuel", "surgeon", TEACHING_SURGEON),
    InventedAccount("greta", "quality lead", ADJUDICATOR),
    InventedAccount("stig", "steward", None),
)

# Printed by the command that makes the demo: it protects invented data alone.
PASSPHRASE = "nobody walks these corridors"  # noqa: S105 - meant to be read

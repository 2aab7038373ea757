"""Find the people that a table names, and make those that are new where that is wanted."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

from registry.domain.problems import BadInputError, Fault
from registry.domain.words import folded
from registry.store.models.people import Person, PersonAlias
from registry.store.queries.people import person_ids

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from registry.intake.parsed import Parsed, Place
    from registry.store.writing import Writing


Item = TypeVar("Item")
_LONGEST_NAME = 120


class Persons:
    """The people of one table, by any spelling of their names."""

    def __init__(self, ids: dict[str, int]) -> None:
        self._ids = ids

    def id_of(self, name: str) -> int:
        """Return the person behind a name that the table holds."""
        return self._ids[folded(name)]

    def known_id(self, name: str) -> int | None:
        """Return the person behind a name, or None where nobody is known by it."""
        return self._ids.get(folded(name))

    def id_or_none(self, name: str | None) -> int | None:
        """Return the person behind a name, or None where there is none."""
        return None if name is None else self.id_of(name)


def add_person(work: Writing, name: str) -> int:
    """Add a person who goes by this name; return their id."""
    name = " ".join(name.split())
    if not name or len(name) > _LONGEST_NAME or not name.isprintable():
        raise BadInputError(Fault(f"a person's name has 1 to {_LONGEST_NAME} characters", "name"))
    person_id = work.insert(Person, "add a person", name=name)
    work.insert(PersonAlias, "add a name", person_id=person_id, folded=folded(name))
    return person_id


def find_persons(
    work: Writing, parsed: Parsed[Item], *, new_persons: bool
) -> tuple[Persons, Sequence[Fault], Sequence[str]]:
    """Return the people of a table, a fault a cell that names nobody known, and who was made."""
    known = person_ids(work.session, parsed.people)
    unknown = {name: cells for name, cells in parsed.people.items() if folded(name) not in known}
    if unknown and not new_persons:
        return Persons(known), _faults(parsed, unknown), []
    made: dict[str, str] = {}
    for name in unknown:
        made.setdefault(folded(name), name)
    for key, name in made.items():
        known[key] = add_person(work, name)
    return Persons(known), [], list(made.values())


def _faults(parsed: Parsed[Item], unknown: Mapping[str, tuple[Place, ...]]) -> list[Fault]:
    cells = sorted((cell, name) for name, places in unknown.items() for cell in places)
    return [
        parsed.fault_at(
            cell,
            f"nobody is known as {name!r}",
            "correct the name, or use --new-persons to add everyone that is new",
        )
        for cell, name in cells
    ]

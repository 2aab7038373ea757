"""What the forms that correct a case have in common: its fields, what was seen, what stands."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from registry.actions.corrections import ChangedMeanwhileError, Correction
from registry.domain.problems import BadInputError, ConflictError
from registry.web.construct_fields import asked_field, errors_by_place
from registry.web.errors import page_with
from registry.web.fields import Field

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from flask.typing import ResponseReturnValue

    from registry.domain.problems import ProblemError
    from registry.intake.entered import Asked
    from registry.web.fields import Choice

SEEN = "seen-"
TEMPLATE = "cases/form.html"
_LONGEST_REASON = 300


def sent_texts(form: Mapping[str, str], asked: Sequence[Asked]) -> dict[str, str]:
    """Return what was typed; a field that was not sent is empty."""
    return {each.name: form.get(each.name, "") for each in asked}


def sent_correction(form: Mapping[str, str], asked: Sequence[Asked]) -> Correction:
    """Return the correction that a form sends; without a sound version it fits no record."""
    version = form.get("version", "")
    is_number = version.isascii() and version.isdigit() and len(version) < 10  # noqa: PLR2004 - digits
    number = int(version) if is_number else 0
    return Correction(number, form.get("because", ""), sent_texts(form, asked))


def shown(
    asked: Sequence[Asked],
    texts: Mapping[str, str],
    *,
    seen: Mapping[str, str] | None = None,
    version: int = 0,
    because: str = "",
    errors: Mapping[str, str] | None = None,
    choices: Mapping[str, Sequence[Choice]] | None = None,
) -> dict[str, Any]:
    """Return what the template needs of a form.

    Parameters
    ----------
    asked : its fields in their order
    texts : what they hold
    seen : what they held when the page was opened; None where nothing is corrected
    version : of the record that is corrected
    because : the reason as typed
    errors : what is wrong, by the label that a fault names
    choices : that lead a field's own, by its name
    """
    found = errors or {}
    fields = [
        asked_field(
            each,
            texts.get(each.name, ""),
            error=found.get(each.label, ""),
            more=(choices or {}).get(each.name, ()),
        )
        for each in asked
    ]
    hidden = {SEEN + name: text for name, text in (seen or {}).items()}
    reason = Field(
        "because",
        "Reason",
        because,
        hint="Stays in the event trail with what was there before; name no patient.",
        error=found.get("Reason", ""),
        longest=_LONGEST_REASON,
    )
    return {
        "fields": fields,
        "hidden": hidden | {"version": str(version)},
        "reason": reason,
    }


def sent_seen(form: Mapping[str, str], asked: Sequence[Asked]) -> dict[str, str]:
    """Return what the form's fields held when its page was opened."""
    return {each.name: form.get(SEEN + each.name, "") for each in asked}


def merged(
    asked: Sequence[Asked],
    typed: Mapping[str, str],
    seen: Mapping[str, str],
    stands: Mapping[str, str],
) -> tuple[dict[str, str], list[str]]:
    """Return what a form holds after somebody else's correction, and that correction in words.

    What was typed stays; a field that was left alone takes what stands now.
    """
    texts, told = {}, []
    for each in asked:
        own, before, now = (held.get(each.name, "") for held in (typed, seen, stands))
        is_untouched = own.split() == before.split()
        texts[each.name] = now if is_untouched else own
        if now.split() != before.split():
            words = f"{each.label}: it was {_said(before)}, now it is {_said(now)}"
            told.append(words if is_untouched else f"{words}; you typed {_said(own)}")
    return texts, told


def _said(text: str) -> str:
    return f"'{text}'" if text else "empty"


def corrected(
    form: Mapping[str, str],
    asked: Sequence[Asked],
    act: Callable[[Correction], object],
    stands: Callable[[], tuple[int, Mapping[str, str]]],
    **page: Any,  # noqa: ANN401 - what the template is given besides
) -> ResponseReturnValue | None:
    """Do what a form asks; return its page again where it cannot be done, else None.

    `stands` gives the version and the texts of the record as it stands now.
    """
    correction = sent_correction(form, asked)
    choices = page.pop("choices", None)
    try:
        act(correction)
    except ChangedMeanwhileError as problem:
        version, present = stands()
        seen = sent_seen(form, asked)
        texts, told = merged(asked, correction.texts, seen, present)
        again = shown(
            asked,
            texts,
            seen=present,
            version=version,
            because=correction.because,
            choices=choices,
        )
        return page_with(problem, TEMPLATE, **page, **again, told=told)
    except (BadInputError, ConflictError) as problem:
        again = shown(
            asked,
            correction.texts,
            seen=sent_seen(form, asked),
            version=correction.version,
            because=correction.because,
            errors=_errors(problem),
            choices=choices,
        )
        return page_with(problem, TEMPLATE, **page, **again)
    return None


def _errors(problem: ProblemError) -> dict[str, str]:
    faults = problem.faults if isinstance(problem, (BadInputError, ConflictError)) else ()
    return errors_by_place(faults)

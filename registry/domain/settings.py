"""The unit's settings and their defaults; read from a file and the environment elsewhere."""

from __future__ import annotations

import json
from dataclasses import dataclass, fields
from decimal import Decimal
from typing import TYPE_CHECKING

from registry.domain.consensus import AgreementRule
from registry.domain.policy import Policy
from registry.domain.readings import CountedReading, ProposalExtents
from registry.domain.scales import DEFAULT_SCALE
from registry.domain.second_reading import SecondReadingRule

if TYPE_CHECKING:
    from registry.domain.directions import Direction
    from registry.domain.network import Node, Sender

_NOT_COUNTED = frozenset(
    {
        "overdue_days",
        "makes_proposals",
        "practice_screws",
        "known_truth_share",
        "session_hours",
        "session_idle_minutes",
        "hosts",
        "behind_https",
        "proxies",
        "quiet_seconds",
        "arrival_days",
        "largest_arrival_mb",
        "keep_free_mb",
        "receiver_title",
        "receiver_peers",
        "archive_url",
        "archive_peer",
        "archive_login",
        "archive_in_clear",
        "dicom_certificate",
        "dicom_key",
        "dicom_authority",
    }
)
"""Settings of the server, its network and its teaching set, which no number depends on."""


@dataclass(frozen=True)
class Settings:
    """Every setting, with its default.

    Attributes
    ----------
    unit_name : shown on pages and reports
    zone : IANA zone in which the unit's days are counted
    scale : grading scale of the unit
    headline_mm : cut-off of the headline rate
    cut_offs_mm : a reading near one of these asks for a second
    near_share : how likely the other side must be for a reading to be near a cut-off
    tolerance_mm : two readings may differ by this much
    floor_mm : a measured extent below it is 0
    audit_window_days : first and last day after the operation for an audit scan
    outcome_window_days : and for an outcome to count as one of the operation
    minimum_graded : fewer graded screws than this show counts and no rate
    second_reads_all : every screw is read twice
    second_share : random share of the other first readings that are read twice
    overdue_days : a reading that was asked for longer ago is overdue
    policy_words : the unit's own policy for findings that cannot wait; empty for none
    policy_mm : by direction, the extent from which on a first reading meets that policy
    standard_percent : the unit's own standard for its headline rate; None for none
    standard_words : where that standard comes from
    reply_days : a quarter lies before its surgeons for so many days before it can be sealed
    seal_delay_days : a quarter is not sealed before so many days after its end
    seal_countersigned : another person countersigns a quarter before it is sealed, whoever seals
    practice_screws : drawn screws that a new reader reads before the first of the audit
    known_truth_share : share of drawn screws, whose truth is known, in what a reader reads
    reply_cover : contained screws that are read again beside each that a surgeon asks for
    makes_proposals : the worker beside `serve` works out what the program proposes of each scan
    proposal_extents : when a first reader is shown what the program measured
    counted_reading : of a reading and its change after the proposal was shown, which one counts
    session_hours : a sign-in ends after this
    session_idle_minutes : and after this without a request
    hosts : names under which browsers reach it besides this machine's own; others are refused
    behind_https : browsers reach it over TLS, which a proxy in front of it ends
    proxies : how many trusted proxies stand in front, each naming its client in X-Forwarded-For
    quiet_seconds : a study that is sent counts as whole once nothing came for so long
    arrival_days : what came in and waits for a person is dropped after so many days
    largest_arrival_mb : one upload or study may hold this much, in megabytes of 1,000,000 bytes
    keep_free_mb : nothing comes in that would leave less of the disk free
    """

    unit_name: str = "Spinal unit"
    zone: str = "UTC"
    scale: str = DEFAULT_SCALE
    headline_mm: Decimal = Decimal(2)
    cut_offs_mm: tuple[Decimal, ...] = (Decimal(2), Decimal(4))
    near_share: Decimal = Decimal("0.2")
    tolerance_mm: Decimal = Decimal(1)
    floor_mm: Decimal = Decimal("0.3")
    audit_window_days: tuple[int, int] = (0, 90)
    outcome_window_days: tuple[int, int] = (0, 90)
    minimum_graded: int = 10
    second_reads_all: bool = False
    second_share: Decimal = Decimal("0.1")
    overdue_days: int = 14
    policy_words: str = ""
    policy_mm: tuple[tuple[Direction, Decimal], ...] = ()
    standard_percent: Decimal | None = None
    standard_words: str = ""
    reply_days: int = 14
    reply_cover: int = 3
    seal_delay_days: int = 30
    seal_countersigned: bool = False
    practice_screws: int = 0
    known_truth_share: Decimal = Decimal(0)
    makes_proposals: bool = True
    proposal_extents: ProposalExtents = ProposalExtents.AFTER_READING
    counted_reading: CountedReading = CountedReading.BLIND
    session_hours: int = 12
    session_idle_minutes: int = 60
    hosts: tuple[str, ...] = ()
    behind_https: bool = False
    proxies: int = 0
    quiet_seconds: int = 60
    arrival_days: int = 7
    largest_arrival_mb: int = 8000
    keep_free_mb: int = 1000
    receiver_title: str = "PEDICLE_LEDGER"
    receiver_peers: tuple[Sender, ...] = ()
    archive_url: str = ""
    archive_peer: Node | None = None
    archive_login: str = ""
    archive_in_clear: bool = False
    dicom_certificate: str = ""
    dicom_key: str = ""
    dicom_authority: str = ""

    def written(self) -> str:
        """Return the settings that numbers depend on, as canonical JSON."""
        kept = {
            field.name: getattr(self, field.name)
            for field in fields(self)
            if field.name not in _NOT_COUNTED
        }
        return json.dumps(kept, sort_keys=True, separators=(",", ":"), default=str)

    def policy(self) -> Policy:
        """Return the policy for findings that cannot wait."""
        return Policy(self.policy_words, self.policy_mm)

    def agreement_rule(self) -> AgreementRule:
        """Return the rule for two readings."""
        return AgreementRule(self.scale, self.tolerance_mm, self.headline_mm, self.counted_reading)

    def second_reading_rule(self) -> SecondReadingRule:
        """Return the rule for second readings."""
        return SecondReadingRule(self.second_reads_all, self.second_share)

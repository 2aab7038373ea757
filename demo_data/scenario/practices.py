"""What each invented surgeon does: constructs, entry techniques, guidance, and who operates."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from registry.domain.techniques import EntryTechnique as Entry
from registry.domain.techniques import Guidance

from . import people

SPINE = (
    "C7",
    *(f"T{number}" for number in range(1, 13)),
    *(f"L{number}" for number in range(1, 6)),
    "S1",
)
"""Levels that constructs are laid out on, cranial first."""

Weights = Mapping[str, float]

_USUAL: dict[str, Weights] = {
    "C": {Entry.CERVICAL_PEDICLE: 1},
    "T": {Entry.SUBFACET: 1},
    "L": {Entry.LATERAL_INTERSECTION: 1},
    "S": {Entry.SACRAL_FACET_CORNER: 1},
}


@dataclass(frozen=True)
class Practice:
    """One surgeon's work.

    Attributes
    ----------
    surgeon : responsible surgeon
    cases : how many of the unit's
    constructs : weights by upper and lower level, written T11-L2
    indications : weights
    guidance : weights, one draw a case
    techniques : weights by the first letter of the level, where not the usual ones
    gaps : share of sites left without a screw
    skips_middle : how often a middle level (the broken or diseased one) bears no screws
    trainee_share : share of screws placed by a trainee
    unscanned : share of cases without a post-operative CT
    skill : odds of a breach against the unit's usual
    ages : youngest and oldest patient
    has_cobb : whether the Cobb angle is measured
    percutaneous : share of cases done through the skin
    """

    surgeon: str
    cases: int
    constructs: Weights
    indications: Weights
    guidance: Weights
    techniques: Mapping[str, Weights] = field(default_factory=dict)
    gaps: float = 0.02
    skips_middle: float = 0.0
    trainee_share: float = 0.0
    unscanned: float = 0.07
    skill: float = 1.0
    ages: tuple[int, int] = (38, 82)
    has_cobb: bool = False
    percutaneous: float = 0.0

    def techniques_at(self, level: str) -> Weights:
        """Return the weights of the entry techniques at a level."""
        return self.techniques.get(level[0], _USUAL[level[0]])


PRACTICES = (
    Practice(
        people.DEGENERATIVE_SURGEON,
        104,
        {"L4-L5": 28, "L5-S1": 22, "L4-S1": 20, "L3-L5": 14, "L2-L5": 8, "L3-S1": 6, "L2-S1": 2},
        {"spinal stenosis": 4, "degenerative spondylolisthesis": 5, "isthmic spondylolisthesis": 2},
        {Guidance.FREEHAND: 70, Guidance.FLUOROSCOPY: 30},
        {"L": {Entry.LATERAL_INTERSECTION: 72, Entry.ISTHMUS: 27, Entry.OTHER: 1}},
        trainee_share=0.12,
        skill=0.8,
    ),
    Practice(
        people.TRAUMA_SURGEON,
        84,
        {
            "T11-L1": 20,
            "T12-L2": 18,
            "T11-L2": 20,
            "T10-L1": 14,
            "T8-T12": 8,
            "T5-T9": 6,
            "L1-L4": 9,
        },
        {"fracture": 9, "fracture in ankylosed spine": 1},
        {Guidance.FLUOROSCOPY: 62, Guidance.FREEHAND: 26, Guidance.NAVIGATION: 12},
        {
            "T": {Entry.SUBFACET: 92, Entry.TRANSVERSE_PROCESS: 8},
            "L": {Entry.LATERAL_INTERSECTION: 78, Entry.ISTHMUS: 22},
        },
        skips_middle=0.5,
        trainee_share=0.15,
        unscanned=0.05,
        skill=1.05,
        ages=(19, 84),
    ),
    Practice(
        people.DEFORMITY_SURGEON,
        44,
        {"T4-L1": 22, "T4-L3": 16, "T3-L2": 14, "T2-L4": 12, "T5-L3": 14, "T10-S1": 14, "T4-S1": 8},
        {"idiopathic scoliosis": 5, "adult deformity": 4, "neuromuscular scoliosis": 1},
        {Guidance.FREEHAND: 46, Guidance.NAVIGATION: 38, Guidance.PATIENT_SPECIFIC_GUIDE: 16},
        {
            "T": {Entry.SUBFACET: 91, Entry.IN_OUT_IN: 9},
            "L": {Entry.LATERAL_INTERSECTION: 60, Entry.ISTHMUS: 40},
        },
        gaps=0.16,
        unscanned=0.05,
        skill=0.85,
        ages=(13, 70),
        has_cobb=True,
    ),
    Practice(
        people.TUMOUR_SURGEON,
        46,
        {
            "T5-T9": 20,
            "T7-T11": 20,
            "T2-T6": 14,
            "C7-T4": 10,
            "T9-L1": 16,
            "T11-L3": 14,
            "L1-L4": 6,
        },
        {"metastasis": 8, "primary tumour": 1, "infection": 3},
        {Guidance.NAVIGATION: 68, Guidance.FREEHAND: 22, Guidance.FLUOROSCOPY: 10},
        {"T": {Entry.SUBFACET: 84, Entry.TRANSVERSE_PROCESS: 13, Entry.OTHER: 3}},
        skips_middle=0.8,
        trainee_share=0.05,
        unscanned=0.13,
        ages=(41, 79),
    ),
    Practice(
        people.PERCUTANEOUS_SURGEON,
        72,
        {"L4-L5": 36, "L5-S1": 26, "L3-L5": 12, "L4-S1": 10, "T12-L2": 9, "T11-L1": 7},
        {"degenerative spondylolisthesis": 5, "spinal stenosis": 3, "fracture": 2},
        {Guidance.FLUOROSCOPY: 58, Guidance.ROBOT_ASSISTED: 26, Guidance.NAVIGATION: 16},
        {"L": {Entry.CORTICAL_BONE_TRAJECTORY: 1}},
        unscanned=0.14,
        skill=0.95,
        percutaneous=0.82,
    ),
    Practice(
        people.TEACHING_SURGEON,
        49,
        {
            "L4-L5": 24,
            "L5-S1": 18,
            "L3-L5": 16,
            "L4-S1": 14,
            "T12-L2": 12,
            "T11-L2": 10,
            "L2-L5": 6,
        },
        {"spinal stenosis": 4, "degenerative spondylolisthesis": 3, "fracture": 2},
        {Guidance.FREEHAND: 62, Guidance.FLUOROSCOPY: 38},
        {
            "L": {
                Entry.LATERAL_INTERSECTION: 62,
                Entry.ISTHMUS: 30,
                Entry.CORTICAL_BONE_TRAJECTORY: 8,
            }
        },
        trainee_share=0.78,
        skips_middle=0.1,
    ),
)
"""Together one case short of the unit's: the one whose CT is drawn is added to them."""

PRACTICE_OF = {practice.surgeon: practice for practice in PRACTICES}

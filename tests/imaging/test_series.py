import pytest

from registry.imaging.grouping import group
from registry.imaging.kinds import SeriesKind
from registry.imaging.parsing import Head
from registry.imaging.series import best_of, why_not_taken
from registry.imaging.slices import slice_header
from registry.imaging.sources import SourceFile
from tests.imaging.written_files import slices


def headers(datasets, folder="a"):
    return [
        slice_header(SourceFile(f"{folder}/{k}", lambda: None), Head(dataset, None, b""))
        for k, dataset in enumerate(datasets)
    ]


def choose(found):
    best = best_of([each for each in found if each.is_readable])
    return best, [why_not_taken(each, best) for each in found if each is not best]


def chosen_of(*series):
    given = [each for number, one in enumerate(series) for each in headers(one, f"s{number}")]
    best, left_out = choose(group(given))
    number = int(best.summary.place[1]) if best else None
    return number, left_out


PLAIN = {"step": (0, 0, 1.0)}


@pytest.mark.parametrize(
    ("other", "why"),
    [
        (dict(PLAIN, SeriesDescription="INTRAOP 3D", step=(0, 0, 0.5)), "called intra-operative"),
        (dict(PLAIN, ImageType=["DERIVED", "PRIMARY", "AXIAL"], step=(0, 0, 0.5)), "derived"),
        (dict(PLAIN, step=(0, 0, 1.5)), "further apart"),
        (dict(PLAIN, ConvolutionKernel="STANDARD"), "kernel is softer"),
        (dict(PLAIN, ConvolutionKernel="B30f"), "kernel is softer"),
        (dict(PLAIN, count=9), "fewer slices"),
        (dict(PLAIN, count=7), "too few slices: 7"),
        (dict(PLAIN, orientation=(0, 1, 0, 0, 0, -1), step=(0.5, 0, 0)), "sagittal"),
        (dict(PLAIN, orientation=(1, 0, 0, 0, 0, -1), step=(0, 0.5, 0)), "coronal"),
        (
            dict(PLAIN, orientation=(1, 0, 0, 0, 0.707107, -0.707107), step=(0, 0.4, 0.4)),
            "oblique",
        ),
    ],
)
def test_the_better_series_is_read_and_the_other_left_out_with_the_reason(other, why):
    for first, second, winner in [(PLAIN, other, 0), (other, PLAIN, 1)]:
        number, reasons = chosen_of(slices(**first, series=1), slices(**second, series=2))
        assert number == winner
        assert len(reasons) == 1
        assert why in reasons[0]


def test_a_finer_soft_series_wins_over_a_coarser_bone_series():
    number, _ = chosen_of(
        slices(step=(0, 0, 2.0), series=1),
        slices(step=(0, 0, 0.625), series=2, ConvolutionKernel="SOFT"),
    )
    assert number == 1


def test_rounding_of_positions_does_not_hide_an_equal_step():
    number, reasons = chosen_of(
        slices(step=(0, 0, 0.6249), series=1, ConvolutionKernel="SOFT"),
        slices(step=(0, 0, 0.6251), series=2),
    )
    assert number == 1
    assert "softer" in reasons[0]


def test_a_localizer_like_part_of_a_series_is_looked_at_apart():
    axial = slices(step=(0, 0, 1.0))
    across = slices(3, orientation=(0, 1, 0, 0, 0, -1), step=(1.0, 0, 0))
    for k, dataset in enumerate(across):
        dataset.SOPInstanceUID += f".{k}.7"
    found = group(headers(axial + across))
    assert sorted(each.summary.slices for each in found) == [3, 10]
    best, left_out = choose(found)
    assert best.summary.slices == 10
    assert "too few slices: 3" in left_out[0]


def test_orientations_that_differ_in_the_fifth_decimal_are_one_series():
    made = slices(12, step=(0, 0, 1.0))
    for k, dataset in enumerate(made):
        dataset.ImageOrientationPatient = [1, 0, 0, 0, 1, 1e-5 * (k % 3)]
    assert len(group(headers(made))) == 1


def test_slices_of_two_patients_under_one_series_are_refused():
    made = slices(12)
    made[4].PatientID = "INV-0002"
    best, left_out = choose(group(headers(made)))
    assert best is None
    assert left_out[0] == "its slices carry different patient identifiers"


def test_the_same_series_twice_by_every_rule_is_settled_without_the_files_order():
    one, two = slices(series=1), slices(series=2)
    assert chosen_of(one, two)[0] == 0
    assert chosen_of(two, one)[0] == 1
    assert "equals the one taken" in chosen_of(one, two)[1][0]


@pytest.mark.parametrize(
    ("attributes", "kind"),
    [
        ({}, SeriesKind.AXIAL_BONE),
        ({"ConvolutionKernel": "B30f"}, SeriesKind.AXIAL_SOFT),
        ({"ConvolutionKernel": None}, SeriesKind.AXIAL_THIN),
        ({"step": (0, 0, 3.0)}, SeriesKind.AXIAL_THICK),
        ({"SliceThickness": 3}, SeriesKind.AXIAL_THICK),
        ({"orientation": (0, 1, 0, 0, 0, -1), "step": (0.5, 0, 0)}, SeriesKind.REFORMAT),
        ({"ImageType": ["DERIVED", "SECONDARY", "REFORMATTED"]}, SeriesKind.REFORMAT),
        ({"SeriesDescription": "Cone beam L-spine"}, SeriesKind.INTRA_OPERATIVE_3D),
        ({"SeriesDescription": "post-intraopacity"}, SeriesKind.AXIAL_BONE),
    ],
)
def test_a_series_is_said_to_be_what_it_is(attributes, kind):
    (found,) = group(headers(slices(**attributes)))
    assert found.summary.kind is kind


def test_a_summary_says_what_was_found_and_shows_no_identifier():
    (found,) = group(headers(slices(ContrastBolusAgent="some agent")))
    summary = found.summary
    assert (summary.slices, summary.kernel, summary.orientation) == (10, "BONE", "axial")
    assert summary.step_mm == pytest.approx(0.8)
    assert summary.has_contrast
    assert summary.acquired_on.isoformat() == "2026-03-02"
    assert summary.words == "axial CT series of 10 slices 0.80 mm apart, kernel BONE"
    for shown in (repr(found), repr(found.members), repr(summary)):
        assert "INV-0001" not in shown
        assert "1.2.826" not in shown

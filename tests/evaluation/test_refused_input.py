"""Numbers that cannot be what they are said to be are refused with the argument's name, not computed with."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tickvision.domain.taxonomies import flat_taxonomy
from tickvision.errors import CalibrationError, MetricError
from tickvision.evaluation import agreement, calibration_error, compare, expected, hierarchy, per_class, specimens
from tickvision.evaluation.evaluate import head_metrics
from tickvision.evaluation.probabilities import JointMap, log_softmax, part_logits

NODES = [2, 2, -1]  # two leaves and their root


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: log_softmax(np.zeros((3, 0))), "logits: found no columns; expected one per class"),
        (lambda: part_logits([0.5, 0.6]), r"confidences: found shape \(2,\); expected \(N, H\)"),
        (lambda: JointMap((1.0, 1.0), 0.0, (0.0, 0.0)).apply([[0.5]]), "found 1 parts; expected 2"),
        (
            lambda: per_class.per_class_view([0, -1], [True, True], [True, False], 0.05, 0.05),
            "predicted: found negative class numbers",
        ),
    ],
)
def test_calibration_input_that_cannot_be_is_refused(call, message: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(CalibrationError, match=message):
        call()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: hierarchy.hierarchical_scores([0, 1], [0, 3], NODES), "pred: found node 0 to 3; expected 0 to 2"),
        (lambda: hierarchy.hierarchical_scores([-2, 1], [0, 1], NODES), "target: found node -2 to 1"),
        (lambda: agreement.krippendorff([0, 1], 2), r"ratings: found shape \(2,\); expected \(raters, specimens\)"),
        (lambda: agreement.krippendorff([[0, 2], [0, 1]], 2), "ratings: found 0 to 2; expected -1 to 1"),
        (
            lambda: compare.sign_flip(lambda *_: 0.0, ["a", "b"], [], [np.zeros(2)], []),
            "runs: found 1 and 0 arrays; expected the same",
        ),
    ],
)
def test_metric_input_that_cannot_be_is_refused(call, message: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(MetricError, match=message):
        call()


def test_readers_who_never_met_have_no_agreement() -> None:
    # Krippendorff 2004: units that fewer than two have rated are left out
    assert np.isnan(agreement.krippendorff([[0, -1], [-1, 1]], 2))


def test_confidences_that_are_right_to_the_last_digit_have_no_smooth_error() -> None:
    assert calibration_error.smooth_ece(np.ones(50), np.ones(50, bool)) == pytest.approx(0, abs=1e-4)


@pytest.mark.parametrize("count", ["", "many", "-1", "nan", "inf"])
def test_a_count_of_expected_specimens_that_is_none_is_named(tmp_path: Path, count: str) -> None:
    path = tmp_path / "expected.csv"
    path.write_text(f"place,month,scientific_name,specimens\n,,a,{count}\n", encoding="utf-8")
    taxonomy = flat_taxonomy([("a", "", ""), ("b", "", "")])
    with pytest.raises(CalibrationError, match=rf"line 2: specimens '{count}'; expected a count, 0 or more"):
        expected.read(path, taxonomy, "", 0)


@pytest.mark.parametrize("month", ["13", "0", "May", "\u00b2", "5.5"])
def test_a_month_that_is_none_is_named_also_where_another_is_asked_for(tmp_path: Path, month: str) -> None:
    path = tmp_path / "expected.csv"
    path.write_text(f"place,month,scientific_name,specimens\n,5,a,1\n,{month},a,9\n", encoding="utf-8")
    taxonomy = flat_taxonomy([("a", "", ""), ("b", "", "")])
    for asked in (0, 5):
        with pytest.raises(CalibrationError, match=rf"line 3: month '{month}'; expected 1 to 12"):
            expected.read(path, taxonomy, "", asked)


def test_a_month_may_be_written_with_a_nought(tmp_path: Path) -> None:
    path = tmp_path / "expected.csv"
    path.write_text("place,month,scientific_name,specimens\n,05,a,30\n,5,b,10\n,06,b,7\n", encoding="utf-8")
    taxonomy = flat_taxonomy([("a", "", ""), ("b", "", "")])
    assert expected.read(path, taxonomy, "", 5).counts.tolist() == [30, 10]


def scores(path: Path, **changed: np.ndarray) -> Path:
    arrays = {
        "part": np.array(["test"] * 3), "specimen_id": np.array(["s", "s", "t"]), "sha256": np.array(["1", "2", "3"]),
        "photo_id": np.array(["a", "b", "c"]), "taxon_logits": np.zeros((3, 2)), "state_logits": np.zeros((3, 2, 1)),
        "embedding": np.zeros((3, 4)), "quality": np.zeros((3, 4)), "taxon_mask": np.ones((3, 2), bool),
        "state_mask": np.ones((3, 1), bool),
    }  # fmt: skip
    np.savez(path, **arrays | changed)
    return path


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"specimen_id": np.array(["s", "", ""])}, r"2 photographs of part 'test' have no specimen id; set data\."),
        (
            {"taxon_mask": np.array([[True, False], [False, True], [True, True]])},
            "specimen 's' bears two labels that exclude each other",
        ),
    ],
)
def test_scores_that_cannot_be_joined_into_specimens_are_refused(
    tmp_path: Path, changed: dict[str, np.ndarray], message: str
) -> None:
    assert len(specimens.load(scores(tmp_path / "whole.npz"), "test").ids) == 2
    with pytest.raises(CalibrationError, match=message):
        specimens.load(scores(tmp_path / "scores.npz", **changed), "test")


@pytest.mark.parametrize("kept", [0, 30, 400])
def test_scores_that_are_cut_off_name_the_command_that_makes_them(tmp_path: Path, kept: int) -> None:
    path = scores(tmp_path / "scores.npz")
    path.write_bytes(path.read_bytes()[:kept])
    with pytest.raises(CalibrationError, match=r"no readable scores\. Make them with: tickvision train CONFIG"):
        specimens.load(path, "test")
    np.savez(path, other=np.zeros(3))
    with pytest.raises(CalibrationError, match="no readable scores"):
        specimens.load(path, "test")


def test_a_share_that_a_sum_brought_above_one_by_a_rounding_is_one() -> None:
    # IEEE 754 double: a sum of shares may come out as 1 + 2^-52
    above = np.array([[1 + 2**-52, 0.0]] * 6)
    found = head_metrics(above, np.zeros(6, np.int64), ["a", "b"], np.array(list("abcdef")))
    assert (found["accuracy"], found["ece"], found["ece_null_95"]) == (1.0, 0.0, 0.0)

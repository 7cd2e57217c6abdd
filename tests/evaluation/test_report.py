"""The report: every number walks back to metrics.json, odd runs still give a right page, and names stay text."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from functools import lru_cache
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from made_cases import Case, certified, make, moved
from PIL import Image
from scipy.stats import binomtest

from tickvision.domain import cautions
from tickvision.domain.taxonomies import flat_taxonomy
from tickvision.evaluation import report, report_words
from tickvision.evaluation.figures import MARK, draw
from tickvision.evaluation.report_files import tables, to_csv
from tickvision.evaluation.report_format import find, show
from tickvision.evaluation.report_photographs import photo_ids, thumbnails

EVIL = "<img src=x onerror=alert(1)>"
# Numbers that are words of the page, not figures of the run.
CONSTANTS = re.compile(r"95 %|80 %|90 of 100|80 of 100|F1|72 hours|sha256|Of 100 specimens|\(0 = fitted heads\)")


class Reader(HTMLParser):
    """Collects the figures, the tags and the text outside of figures, pictures, style and script."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.figures: list[tuple[str, str, str]] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.loose: list[str] = []
        self._skip: list[str] = []
        self._held: tuple[str, str] | None = None
        self._text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        held = dict(attrs)
        self.tags.append((tag, held))
        if tag == "data":
            self._held, self._text = (held["data-key"] or "", held["data-format"] or ""), ""
        elif tag in ("svg", "style", "script", "title") or held.get("class") == "num":
            self._skip.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag == "data" and self._held:
            self.figures.append((*self._held, self._text))
            self._held = None
        elif self._skip and self._skip[-1] == tag:
            self._skip.pop()

    def handle_data(self, text: str) -> None:
        if self._held:
            self._text += text
        elif not self._skip:
            self.loose.append(text)


def _no_sex() -> Case:
    return make(sexes=False)


ODD: dict[str, Callable[[], Case]] = {
    "promised": certified,
    "another place": moved,
    "hopeless": lambda: make(strength=1.0, n_calibration=300),
    "too few": lambda: make(n_calibration=30),
    "absent classes": lambda: make(absent=("Ixodes cookei", "not a tick"), n_test=60),
    "no calibration": lambda: make(n_calibration=0),
    "by hand": lambda: make(n_calibration=60, min_confidence=0.7),
    "no sex labels": _no_sex,
    "one source": lambda: make(sources=("phone",), n_test=60),
    "zero errors": lambda: make(strength=40.0, n_test=60),
    "empty test part": lambda: make(n_test=0),
    "one photograph": lambda: make(n_test=1),
    "ten kinds": lambda: make(
        flat_taxonomy([(f"garment {c}", "", "") for c in "abcdefghij"]), n_test=120, sources=("",)
    ),
    "flat": lambda: make(flat_taxonomy([(f"kind {c}", "", "") for c in "abc"]), n_test=60),
}


@lru_cache
def page_of(name: str) -> tuple[Case, str]:
    """Return a made-up run and its page, made once."""
    case = ODD[name]()
    return case, report.render(case.figures)


@pytest.mark.parametrize("name", ODD)
def test_every_number_on_the_page_is_in_the_figures_and_equal(name: str) -> None:
    case, text = page_of(name)
    page = Reader(text)
    assert len(page.figures) > 20
    for key, how, shown in page.figures:
        assert shown == show(find(case.figures, key), how), key
    loose = CONSTANTS.sub("", " ".join(page.loose))
    assert not re.findall(r".{0,30}\d.{0,30}", loose.replace("\n", " "))


@pytest.mark.parametrize("name", ODD)
def test_the_page_is_whole_and_asks_the_network_for_nothing(name: str) -> None:
    case, text = page_of(name)
    page = Reader(text)
    ids = [a["id"] for _, a in page.tags if "id" in a]
    assert len(ids) == len(set(ids))
    for tag, attrs in page.tags:
        for attribute in ("src", "href", "xlink:href"):
            target = attrs.get(attribute)
            if target is not None:
                assert target.startswith(("data:", "#")), (tag, target)
            if target and target.startswith("#") and tag == "a":
                assert target[1:] in ids
        if tag == "img":
            assert attrs["alt"]
        if tag == "svg":
            assert attrs["aria-label"]
    assert cautions.SHORT in text
    assert text.index(cautions.DRAWN) < text.index("<h1")
    assert "nan" not in " ".join(page.loose).lower().split()
    assert case.figures["drawn"]


def test_the_first_screen_answers_the_four_questions() -> None:
    for _, text in map(page_of, ODD):
        first = text[text.index("<header") : text.index("<main")]
        for question in ("How often is it wrong?", "On which names?", "What happens to the rest?", "What next?"):
            assert question in first


def test_no_promise_is_the_headline_with_the_specimens_missing() -> None:
    case, text = page_of("too few")
    lead = re.search(r'<p class="lead">(.*?)</p>', text, re.DOTALL)
    assert lead is not None
    assert "No promise can be made" in lead[1]
    assert f">{case.figures['missing']['needed']:,}</data> more labelled specimens" in lead[1]
    assert case.figures["decisions"]["answered"] == 0


def test_a_class_without_specimens_shows_no_data_and_never_zero() -> None:
    case, text = page_of("absent classes")
    row = next(i for i, r in enumerate(case.figures["heads"]["taxon"]["per_class"]) if r["class"] == "Ixodes cookei")
    shown = {key: word for key, _, word in Reader(text).figures}
    assert shown[f"/heads/taxon/per_class/{row}/recall"] == "no data"


@pytest.mark.parametrize("name", ODD)
def test_the_headline_is_a_few_plain_sentences(name: str) -> None:
    lines = report.headline(page_of(name)[0].figures)
    assert 3 <= len(lines) <= 6
    assert all(line.endswith(".") for line in lines)
    assert ("promise" in " ".join(lines).lower()) or name == "empty test part"


def test_a_file_name_with_markup_stays_text() -> None:
    def spoil(frame: pd.DataFrame) -> pd.DataFrame:
        return frame.assign(path=f"/nowhere/{EVIL}", creator=EVIL, spdx=EVIL, source=EVIL, view=EVIL)

    taxonomy = flat_taxonomy([(EVIL, "", ""), ("coat", "", "")])
    case = make(taxonomy, n_test=40, n_calibration=60, strength=2.0, change=spoil)
    text = report.render(case.figures)
    assert EVIL not in text
    assert not [a for tag, a in Reader(text).tags if a.get("src") == "x" or "onerror" in a]
    shown = {key: word for key, _, word in Reader(text).figures}
    assert shown["/photographs/worst/0/file"].endswith("onerror=alert(1)>")
    assert shown["/photographs/worst/0/creator"] == EVIL


def test_same_figures_give_the_same_bytes(tmp_path: Path) -> None:
    case, text = page_of("flat")
    assert text == report.render(json.loads(json.dumps(case.figures)))
    written = [report.write_files(case.figures, tmp_path / side) for side in "ab"]
    assert [p.name for p in written[0]] == [p.name for p in written[1]]
    for a, b in zip(*written, strict=True):
        assert a.read_bytes() == b.read_bytes(), a.name


def test_tables_hold_the_same_numbers_as_the_figures() -> None:
    case, _ = page_of("promised")
    held = tables(case.figures)
    assert held["per_class_taxon"]["recall_interval_low"].tolist() == pytest.approx(
        [r["recall_interval"][0] for r in case.figures["heads"]["taxon"]["per_class"]]
    )
    assert held["confusion_all"].to_numpy().tolist() == case.figures["heads"]["all"]["confusion"]
    assert held["ladder"]["answered"].sum() == case.figures["decisions"]["answered"]


def test_the_audit_shows_the_probe_and_what_a_random_split_would_have_flattered() -> None:
    probe = {"n": 300, "accuracy": 0.31, "majority": 0.3, "macro_recall": 0.12, "chance": 0.1}
    audit = {
        "photographs": 300,
        "unreadable": 2,
        "exact_duplicates": 1,
        "near_duplicates": 4,
        "shortcut_probe": {"taxon": probe, "stage and sex": probe},
        "split_optimism": {"n": 300.0, "random": 0.91, "grouped": 0.78, "optimism": 0.13},
    }
    figures = page_of("promised")[0].figures | {"audit": audit}
    page = Reader(report.render(figures))
    shown = {key: word for key, _, word in page.figures}
    assert shown["/audit/split_optimism/optimism"] == "+13.0"
    assert shown["/audit/split_optimism/n"] == "300"
    assert shown["/audit/shortcut_probe/taxon/accuracy"] == "31\u00a0%"
    for key, how, word in page.figures:
        assert word == show(find(figures, key), how), key
    assert 'id="optimism"' not in page_of("promised")[1]


def test_a_kind_without_stages_shows_each_table_once() -> None:
    case, text = page_of("flat")
    assert set(case.figures["heads"]) == {"taxon", "all"}
    assert 'id="confusion-taxon"' in text
    assert 'id="confusion-all"' not in text
    assert 'id="confusion-all"' in page_of("promised")[1]


def test_forty_taxa_are_numbered_and_the_page_stays_small() -> None:
    taxonomy = flat_taxonomy([(f"kind {c:02d}", stage, "") for c in range(40) for stage in ("young", "old")])
    case = make(taxonomy, n_test=400, n_calibration=100, strength=5.0)
    text = report.render(case.figures)
    assert len(text) < 6_000_000
    assert text.count('class="num"') >= 80


def test_thumbnails_are_small_jpegs_and_unreadable_photographs_are_said_to_be(tmp_path: Path) -> None:
    picture = tmp_path / "one.png"
    Image.fromarray(np.full((600, 900, 3), 120, np.uint8)).save(picture)
    case, _ = page_of("hopeless")
    wanted = photo_ids(case.figures)
    frame = case.frame.assign(path=str(picture))
    frame.loc[frame["photo_id"] == wanted[0], "path"] = str(tmp_path / "gone.png")
    held = thumbnails(frame, wanted)
    assert set(held) == set(wanted[1:])
    assert all(uri.startswith("data:image/jpeg;base64,/9j/") and len(uri) < 20_000 for uri in held.values())
    text = report.render(case.figures, held)
    assert "picture not readable" in text
    assert text.count("data:image/jpeg") >= len(held)


def test_figures_of_an_older_run_without_the_added_parts_still_give_a_page() -> None:
    case, _ = page_of("promised")
    kept = (
        "name",
        "bench",
        "test_specimens",
        "test_photographs",
        "heads",
        "decisions",
        "fine_tuning",
        "lookalikes",
        "curve",
    )
    text = report.render({k: case.figures[k] for k in kept})
    assert "How far to trust the names" in text


def test_a_cell_that_a_spreadsheet_would_run_is_quoted_and_a_negative_number_is_not() -> None:
    names = ["=1+1", "+x", "-x", "@x", "plain"]
    table = pd.DataFrame({"name": names, "-difference": [-0.5] * 5}, index=names)
    lines = to_csv(table, "truth").splitlines()
    assert lines[0] == "truth,name,'-difference"
    assert lines[1:] == [f"'{n},'{n},-0.5" for n in names[:4]] + ["plain,plain,-0.5"]


def test_a_promise_that_the_test_breaks_is_the_headline() -> None:
    figures = page_of("promised")[0].figures

    def judged(error: float, bound: float) -> dict[str, object]:
        assert figures["decisions"]["max_error"] == 0.05
        return {**figures, "decisions": figures["decisions"] | {"error": error, "error_lower_bound_95": bound}}

    assert report_words.kept(judged(0.04, 0.02)) == "kept"
    assert report_words.kept(judged(0.06, 0.03)) == "above"
    assert report_words.kept(page_of("one photograph")[0].figures) == "few"
    text = report.render(judged(0.2, 0.15))
    assert "Do not rely on the promise" in text
    assert report_words.NEXT["broken"] in text
    assert report_words.NEXT["kept"] in page_of("promised")[1]


def test_a_promise_for_another_place_is_judged_on_the_specimens_drawn_to_it() -> None:
    case, text = page_of("another place")
    drawn = case.figures["expected"]["test"]
    lead = text[text.index('<p class="lead">') :].split("</p>", 1)[0]
    assert {key for key, _, _ in Reader(lead).figures} >= {"/expected/test/wrong", "/expected/test/named"}
    assert "among specimens drawn to what is expected there" in lead
    # the lower Clopper-Pearson bound, by scipy's exact test
    wrong, named = drawn["wrong"], drawn["named"]
    exact = binomtest(wrong, named, alternative="greater").proportion_ci(0.95).low
    assert drawn["error_lower_bound_95"] == pytest.approx(exact)
    # here nine in ten are wrong, there none is: what was promised for there is kept
    spoilt = case.figures["decisions"] | {"error": 0.9, "error_lower_bound_95": 0.85}
    fine = drawn | {"named": 40, "wrong": 0, "error": 0.0, "error_lower_bound_95": 0.0}
    there = {**case.figures, "decisions": spoilt, "expected": case.figures["expected"] | {"test": fine}}
    assert report_words.kept(there) == "kept"
    assert report_words.kept({**there, "expected": None}) == "broken"


def test_a_run_without_a_promise_speaks_of_none() -> None:
    promised, by_hand = (page_of(name)[1] for name in ("promised", "by hand"))
    assert "<dt>promise</dt>" in promised
    assert "<dt>target, not promised</dt>" in by_hand
    assert report_words.STANDINGS["pooled"] in promised
    assert report_words.STANDINGS["pooled"] not in by_hand
    assert "given too seldom to tell" in by_hand


def test_every_figure_of_drawn_specimens_says_so_and_no_other_does() -> None:
    figures = page_of("promised")[0].figures
    for drawn in (True, False):
        pictures = draw(figures | {"drawn": drawn})
        assert len(pictures) > 5
        assert all((MARK in [t.get_text() for t in picture.texts]) == drawn for picture in pictures.values())

"""The report in Chromium: it sorts, links, prints and stays readable without script, and asks nobody for anything."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browsing import axe_violations, chromium, needs_chromium, visit
from made_cases import certified
from PIL import Image
from test_compare_report import write_run

from tickvision import comparison
from tickvision.comparison import compare_runs, write_report
from tickvision.evaluation import report
from tickvision.evaluation.report_photographs import photo_ids, thumbnails

pytestmark = [needs_chromium, pytest.mark.slow]


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as held:
        yield held


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the report of a made-up run that has all sections, pictures of noise in place of photographs."""
    folder = tmp_path_factory.mktemp("page")
    case = certified()
    picture = folder / "noise.png"
    Image.fromarray(np.random.default_rng(0).integers(0, 255, (200, 300, 3), np.uint8)).save(picture)
    held = thumbnails(case.frame.assign(path=str(picture)), photo_ids(case.figures))
    path = folder / "report.html"
    path.write_text(report.render(case.figures, held, held), encoding="utf-8")
    return path


def axe_violations_of_one_row_in_many(page: Any) -> list[str]:
    """Return what axe finds after all but the first three rows of each table are taken out: they are all alike."""
    rows = page.evaluate("document.querySelectorAll('tbody tr').length")
    page.evaluate("document.querySelectorAll('tbody tr:nth-child(n+4), tbody ~ tbody').forEach(e => e.remove())")
    assert 20 < page.evaluate("document.querySelectorAll('tbody tr').length") < rows
    return axe_violations(page)


@pytest.fixture(scope="module")
def compare_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the page of compare for two made-up runs."""
    folder = tmp_path_factory.mktemp("compared")
    case = certified()
    noise = np.random.default_rng(5).normal(0, 4, case.test.taxon.shape)
    spoilt = dataclasses.replace(case.test, taxon=case.test.taxon + noise)
    runs = [write_run(folder / name, case, test) for name, test in (("a", case.test), ("b", spoilt))]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(comparison, "REPS", 50)
        return write_report(compare_runs(runs)[0], runs, folder / "compare.html")[0]


def test_the_page_of_compare_is_as_quiet_and_as_accessible(browser: Any, compare_file: Path) -> None:
    with visit(browser, compare_file.as_uri(), color_scheme="dark") as seen:
        assert axe_violations(seen.page) == []
        for width in (1280, 390):
            seen.page.set_viewport_size({"width": width, "height": 900})
            assert seen.page.evaluate("document.documentElement.scrollWidth") <= width
        assert seen.requests == [compare_file.as_uri()]
        assert seen.complaints == []


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_nothing_is_asked_for_nothing_complains_and_axe_finds_nothing(
    browser: Any, page_file: Path, width: int, scheme: str
) -> None:
    with visit(browser, page_file.as_uri(), width, color_scheme=scheme) as seen:
        seen.page.evaluate("window.scrollTo(0, document.body.scrollHeight)")  # lazy pictures load
        assert seen.page.evaluate("[...document.images].every(i => i.complete && i.naturalWidth > 0)")
        assert seen.page.evaluate("document.documentElement.scrollWidth") <= width
        assert axe_violations_of_one_row_in_many(seen.page) == []
        assert seen.requests == [page_file.as_uri()]
        assert seen.complaints == []


def test_a_click_on_a_head_sorts_by_value_and_again_turns_it_round(browser: Any, page_file: Path) -> None:
    with visit(browser, page_file.as_uri()) as seen:
        table = seen.page.locator("table.sort", has=seen.page.locator("th", has_text="recall")).first
        head = table.locator("thead th", has_text="recall")

        def column() -> list[float]:
            place = head.evaluate("e => e.cellIndex")
            cells = table.evaluate(
                "(t, i) => [...t.tBodies[0].rows].map(r => r.cells[i].querySelector('data').value)", place
            )
            return [float(v) for v in cells if v != ""]

        before = column()
        assert len(set(before)) > 1
        head.locator("button").click()
        assert column() == sorted(before)
        assert head.get_attribute("aria-sort") == "ascending"
        head.locator("button").press("Enter")
        assert column() == sorted(before, reverse=True)
        assert head.get_attribute("aria-sort") == "descending"


def test_every_link_goes_to_its_place_on_the_page(browser: Any, page_file: Path) -> None:
    with visit(browser, page_file.as_uri()) as seen:
        targets = seen.page.eval_on_selector_all("a[href]", "all => all.map(a => a.getAttribute('href'))")
        assert len(set(targets)) > 10
        assert all(seen.page.locator(f"[id='{t[1:]}']").count() == 1 for t in targets)
        for name in ("Naming or passing on", "Cautions"):
            seen.page.locator("nav a", has_text=name).click()
            place = seen.page.evaluate("location.hash.slice(1)")
            seen.page.wait_for_function(
                "id => Math.abs(document.getElementById(id).getBoundingClientRect().top) < innerHeight", arg=place
            )


def test_the_page_reads_without_script(browser: Any, page_file: Path) -> None:
    with visit(browser, page_file.as_uri(), java_script_enabled=False) as seen:
        assert seen.page.locator("th button").count() == 0
        assert seen.page.locator("h1").is_visible()
        assert seen.page.locator("table.sort tbody td").first.is_visible()


def test_the_first_screen_answers_before_any_scrolling(browser: Any, page_file: Path) -> None:
    with visit(browser, page_file.as_uri()) as seen:
        for question in ("wrong", "which", "rest", "next"):
            box = seen.page.locator(f"#{question}").bounding_box()
            assert box is not None
            assert box["y"] + box["height"] < 900


def test_it_prints_with_no_table_cut_at_the_edge_of_the_paper(browser: Any, page_file: Path) -> None:
    with visit(browser, page_file.as_uri(), width=688) as seen:  # A4 less two margins of 14 mm, at 96 px an inch
        seen.page.emulate_media(media="print")
        wide = seen.page.eval_on_selector_all(
            "table", "all => all.filter(t => t.getBoundingClientRect().right > 689).map(t => t.innerText.slice(0, 60))"
        )
        assert wide == []
        assert seen.page.pdf(format="A4").startswith(b"%PDF-")


def test_the_browser_runs_our_script_and_no_other(browser: Any, page_file: Path, tmp_path: Path) -> None:
    strange = tmp_path / "strange.html"
    planted = "<script>document.title = 'strange'</script></main>"
    strange.write_text(page_file.read_text(encoding="utf-8").replace("</main>", planted), encoding="utf-8")
    with visit(browser, strange.as_uri()) as seen:
        assert seen.page.locator("th button").count() > 10
        assert "strange" not in seen.page.title()
        assert any("Content Security Policy" in told for told in seen.complaints)

"""The catalogue's page, opened from disk in a real browser, without a network."""

import pytest

from tests.benchmarks.bench_shelf import ASK, QUESTIONS, many_rows
from workbench.shelving.catalogue import catalogue_page
from workbench.shelving.searching import read_question, unknown_numbers, unknown_words

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def rows():
    rows = many_rows(400)
    for row, name in zip(rows, ("set/50%25 #1?.chart.json", "javascript:alert(1)")):
        row["chart"] = name
    rows[2]["song"] = "<img src=x onerror=alert(1)>"
    rows[3] |= {"tempo_bpm": None, "song": "A no tempo"}
    return rows


@pytest.fixture
def page(context, rows, tmp_path):
    page = context.new_page()
    faults, asked = [], []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", lambda message: faults.append(message.text) if message.type == "error" else None)
    page.on("request", lambda request: asked.append(request.url))
    path = tmp_path / "catalogue.html"
    path.write_text(catalogue_page(rows, "The Night Trams & others"), "utf-8")
    page.goto(path.as_uri())
    yield page
    assert not faults and asked == [path.as_uri()]


def column(page, name):
    at = page.eval_on_selector_all("th", "ths => ths.map(th => th.dataset.name)").index(name)
    return page.eval_on_selector_all(
        "tbody tr", f"rows => rows.map(r => r.children[{at}].firstChild?.textContent ?? '')"
    )


@pytest.mark.parametrize(
    "question",
    [
        *QUESTIONS,
        "",
        "tempo<=100 tempo>=100",
        '"song 7" night',
        "difficulty=3 nothing",
        '"crashes on the 1"',
        "shufle",
        '"tramms on 4"',
    ],
)
def test_the_page_finds_what_python_finds(page, rows, question):
    page.evaluate(ASK, question)
    test = read_question(question)
    meant = [row for row in rows if test(row)]
    assert page.inner_text("#count") == f"{len(meant)} of 400 songs"
    assert set(column(page, "song")) <= {row["song"] for row in meant}
    said = ("" if meant else unknown_words(question, rows), unknown_numbers(question, rows))
    assert page.inner_text("#message") == " ".join(filter(None, said))
    assert ("no tempo" in said[1]) is question.startswith("tempo")


def test_a_click_on_a_head_sorts_and_another_turns_it_round(page):
    page.click("th[data-name=tempo_bpm] button")
    up = [int(t) for t in column(page, "tempo_bpm")]
    assert up == sorted(up) and page.get_attribute("th[data-name=tempo_bpm]", "aria-sort") == "ascending"
    page.click("th[data-name=tempo_bpm] button")
    down = [int(t) for t in column(page, "tempo_bpm")]
    assert down == sorted(down, reverse=True) and down[0] > up[-1]
    page.fill("#question", "shuffle")
    assert (shown := [int(t) for t in column(page, "tempo_bpm")]) == sorted(shown, reverse=True)


def test_all_rows_can_be_seen_and_what_is_not_known_comes_last(page):
    page.click("th[data-name=tempo_bpm] button")
    assert len(column(page, "song")) == 50
    while page.is_visible("#more"):
        page.click("#more")
    names = column(page, "song")
    assert len(names) == 400 and names[-1] == "A no tempo"


def test_names_stay_names(page, rows):
    page.evaluate(ASK, "")
    while page.is_visible("#more"):
        page.click("#more")
    assert "<img src=x onerror=alert(1)>" in column(page, "song")
    links = page.eval_on_selector_all("tbody a", "all => all.map(a => a.getAttribute('href'))")
    assert set(links) == {"./set/50%2525%20%231%3F.chart.json", "./javascript%3Aalert(1)"}


def test_what_cannot_be_asked_is_said_and_the_rows_stay(page):
    before = column(page, "song")
    page.fill("#question", "speed<100")
    assert "speed<100" in page.inner_text("#message") and column(page, "song") == before
    page.fill("#question", "tempo<100")
    assert page.inner_text("#message") == "Left out, because no tempo is known of it: A no tempo."
    page.fill("#question", "length>1")
    assert page.inner_text("#message") == ""
    assert "estimated" in page.inner_text("th[data-name=quality]") and "≈ " in page.inner_text("tbody tr")


@pytest.mark.parametrize("width", [360, 768, 800, 1000, 1270, 1280])
def test_every_row_is_whole_on_phone_and_laptop(page, width):
    page.set_viewport_size({"width": width, "height": 740})
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    boxes = page.eval_on_selector_all("tbody td", "all => all.map(td => td.getBoundingClientRect().right)")
    assert max(boxes) <= width
    heads = page.eval_on_selector_all("th", "all => all.map(th => th.getBoundingClientRect().right)")
    assert max(heads) <= width, "every column can be sorted by"
    heights = page.eval_on_selector_all("tbody tr", "all => all.map(tr => tr.getBoundingClientRect().height)")
    assert max(heights) <= (90 if width == 1280 else 300)
    assert "very hard" in page.inner_text("th[data-name=difficulty]" if width == 1280 else "tbody").replace("\xa0", " ")

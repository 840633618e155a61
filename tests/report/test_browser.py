"""The page in a real browser: sort, filter, open, draw, keyboard, phone, print, hostile names, speed, accessibility."""

from __future__ import annotations

import base64
from dataclasses import replace

import pytest
from selenium.webdriver.common.keys import Keys

from lamplighter.report import write_report
from tests.report.browser import PHONE, Browser, axe_source, missing
from tests.report.build import assessment
from tests.report.test_page import HOSTILE

pytestmark = [pytest.mark.browser, pytest.mark.skipif(bool(missing()), reason=missing() or "there is a browser")]


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    session = Browser(tmp_path_factory.mktemp("profile"))
    yield session
    session.driver.quit()


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    made: dict[object, tuple] = {}

    def page(nodes: int, **how):
        name = f"{nodes}-{sorted(how.items())}"
        if name not in made:
            a = assessment(nodes, **how)
            made[name] = (a, write_report(a, folder / f"{len(made)}.html"))
        return made[name]

    return page


def header(browser: Browser, name: str):
    return browser.driver.find_element("xpath", f"//table[@id='node-table']//th/button[text()='{name}']")


def click(browser: Browser, element) -> None:
    browser.js("arguments[0].click()", element)


def test_the_first_screen_holds_this_week_and_what_changed(browser, pages) -> None:
    _, path = pages(36)
    browser.open(path)
    bottom = browser.js(
        "const r = s => Math.max(...[...document.querySelectorAll(s)].map(e => e.getBoundingClientRect().bottom));"
        "return [r('#jobs .job:not(.extra)'), r('.chg'), innerHeight]"
    )
    assert max(bottom[:2]) <= bottom[2]
    shown = "return [...document.querySelectorAll('#jobs .job:not(.jobhead)')].filter(j => j.offsetHeight > 0).length"
    assert browser.js(shown) == 5
    click(browser, browser.driver.find_element("css selector", "[data-more=jobs]"))
    assert browser.js(shown) == 6


def test_the_table_sorts_by_each_heading_and_back(browser, pages) -> None:
    a, path = pages(36)
    browser.open(path)
    ranked = [r.node for r in a.nodes]
    assert browser.rows() == ranked
    names = header(browser, "Node")
    click(browser, names)
    assert browser.rows() == sorted(ranked)
    click(browser, names)
    assert browser.rows() == sorted(ranked, reverse=True)
    due = header(browser, "Due")
    click(browser, due)
    dates = {r.node: r.due for r in a.nodes}
    shown = [dates[n] for n in browser.rows()]
    dated = [d for d in shown if d is not None]
    assert dated == sorted(dated)
    assert None not in shown[: len(dated)]
    click(browser, due)
    shown = [dates[n] for n in browser.rows()]
    assert shown[: len(dated)] == sorted(dated, reverse=True), "what has no date stays last"
    assert browser.js("return document.querySelectorAll('#node-table th[aria-sort]').length") == 1


def test_the_table_filters_by_text_status_site_gateway_and_due(browser, pages) -> None:
    a, path = pages(36)
    browser.open(path)

    def choose(field: str, value: str) -> list[str]:
        browser.js(
            "const f = document.querySelector('.filters'); f.reset(); const e = document.querySelector(arguments[0]);"
            "e.value = arguments[1]; e.dispatchEvent(new Event('input', {bubbles: true}))",
            field,
            value,
        )
        return browser.rows()

    assert choose("#f-s", "F") == [r.node for r in a.nodes if r.status == "F"]
    assert choose("#f-s", "!") == [r.node for r in a.nodes if r.status in ("F", "C", "S", "M")]
    assert choose("#f-site", "Crane Fen") == [r.node for r in a.nodes if r.site == "Crane Fen"]
    assert choose("#f-gw", "GW-2") == [r.node for r in a.nodes if r.gateway == "GW-2"]
    week = a.as_of + 7 * 86_400
    assert choose("#f-w", "week") == [r.node for r in a.nodes if r.due and r.due <= week]
    assert choose("#q", "flow crane") == [r.node for r in a.nodes if "Flow" in r.name and r.site == "Crane Fen"]
    assert choose("#q", "nothing like it") == []
    assert browser.js("return document.querySelector('#shown').textContent") == "0 of 36 nodes"
    click(browser, browser.driver.find_element("css selector", ".tally a[data-filter=M]"))
    assert browser.rows() == [r.node for r in a.nodes if r.status == "M"]


def test_a_long_table_opens_short_and_shows_all_when_asked(browser, pages) -> None:
    _, path = pages(240)
    browser.open(path)
    assert len(browser.rows()) == 60
    click(browser, browser.driver.find_element("id", "all-rows"))
    assert len(browser.rows()) == 240


def test_an_opened_node_draws_every_day_of_its_record(browser, pages) -> None:
    a, path = pages(36)
    browser.open(path)
    place, node = next((i, r.node) for i, r in enumerate(a.nodes) if r.eol_p50)
    anchor = browser.draw(place)
    drawn = browser.js(
        "return Object.fromEntries([...document.querySelectorAll(`#${arguments[0]} figure[data-chart]`)].map(f =>"
        " [f.dataset.chart, f.querySelector('.plot').data.map(t => [t.name, Math.min(t.x.length, t.y.length)])]))",
        anchor,
    )
    days = len(a.series[node]["daily"]["day"])
    assert ["median", days] in drawn["reading"]
    assert ["median, season out", days] in drawn["radio"]
    assert ["voltage, temperature out", days] in drawn["battery"]
    assert ["P50", len(a.series[node]["battery"]["fan"]["day"])] in drawn["battery"]
    assert ["finding", 1] in drawn["battery"]
    assert ["work log", 1] in drawn["reading"]
    assert ["node or its path", days] in drawn["arrivals"]
    missed = browser.js(
        "return document.querySelector(`#${arguments[0]} [data-chart=arrivals] .plot`).data[0].y", anchor
    )
    arrivals = a.series[node]["arrivals"]
    assert missed == [e - r for e, r in zip(arrivals["expected"], arrivals["received"], strict=True)]
    voltage = browser.js(
        "return document.querySelector(`#${arguments[0]} [data-chart=battery] .plot`).data[0].y", anchor
    )
    assert voltage == pytest.approx(a.series[node]["battery"]["volts"], abs=5.1e-4)


def test_charts_of_a_node_share_one_time_axis(browser, pages) -> None:
    _, path = pages(36)
    browser.open(path)
    anchor = browser.draw(0)
    browser.js(
        "window.Plotly.relayout(document.querySelector(`#${arguments[0]} [data-chart=radio] .plot`),"
        "{'xaxis.range': ['2025-03-01', '2025-04-01']})",
        anchor,
    )
    ranges = (
        "return [...document.querySelectorAll(`#${arguments[0]} figure[data-chart] .plot`)]"
        ".map(p => p._fullLayout.xaxis.range.map(e => String(e).slice(0, 10)))"
    )
    browser.until(lambda: all(r == ["2025-03-01", "2025-04-01"] for r in browser.js(ranges, anchor)))


def test_the_time_shown_can_be_chosen_without_a_pointer(browser, pages) -> None:
    a, path = pages(36)
    browser.open(path)
    anchor = browser.draw(0)
    browser.js("document.querySelectorAll(`#${arguments[0]} .range button`)[2].focus()", anchor)
    browser.keys(Keys.ENTER)
    starts = (
        "return [...document.querySelectorAll(`#${arguments[0]} .drawn > .plot, #${arguments[0]} .plot.drawn`)]"
        ".map(p => Date.parse(String(p._fullLayout.xaxis.range[0]).replace(' ', 'T') + 'Z') / 1000)"
    )
    browser.until(lambda: all(abs(s - (a.as_of - 90 * 86_400)) < 5 for s in browser.js(starts, anchor)))
    pressed = browser.js("return document.querySelector(`#${arguments[0]} [aria-pressed=true]`).textContent", anchor)
    assert pressed == "90 days"


def test_the_keyboard_alone_reaches_sorts_filters_and_opens(browser, pages) -> None:
    a, path = pages(36)
    browser.open(path)
    browser.keys(Keys.TAB)
    assert browser.js("return document.activeElement.className") == "skip"
    browser.js("document.querySelector('#q').focus()")
    browser.keys("level")
    assert browser.rows() == [r.node for r in a.nodes if "Level" in r.name]
    browser.js("document.querySelector('#node-table th button').focus()")
    browser.keys(Keys.TAB, Keys.TAB, Keys.ENTER)
    assert browser.rows() == sorted(r.node for r in a.nodes if "Level" in r.name)
    browser.js("document.querySelector('#node-table tbody tr:not([hidden]) a').focus()")
    browser.keys(Keys.ENTER)
    opened = browser.until(lambda: browser.js("return document.querySelector('details.node[open]')?.id"))
    assert browser.js("return document.activeElement.closest('details').id") == opened
    browser.keys(Keys.ENTER)
    browser.until(lambda: browser.js("return document.querySelector('details.node[open]') === null"))
    outline = browser.js("return getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid", "the focus can be seen"


@pytest.mark.parametrize("which", ["plain", "hostile"])
def test_a_phone_never_scrolls_sideways(browser, pages, which) -> None:
    _, path = pages(36) if which == "plain" else pages(len(HOSTILE) + 3, names=tuple(HOSTILE))
    browser.open(path, PHONE)
    browser.draw(0)
    widths = browser.js("return [document.documentElement.scrollWidth, innerWidth]")
    assert widths[0] <= widths[1] == PHONE[0]


def test_hostile_names_stay_names(browser, pages) -> None:
    a, path = pages(len(HOSTILE) + 3, names=tuple(HOSTILE))
    browser.open(path)
    assert sorted(browser.rows()) == sorted(r.node for r in a.nodes)
    for place in (0, 1, 2, len(a.nodes) - 1):
        browser.draw(place)
    assert browser.js("return document.querySelectorAll('img, [onerror], [onclick]').length") == 0
    assert browser.complaints() == []
    assert browser.js("return document.documentElement.scrollWidth <= innerWidth")


@pytest.mark.parametrize(("nodes", "days"), [(0, 420), (1, 420), (1, 1)])
def test_small_fleets_open_without_complaint(browser, pages, nodes, days) -> None:
    _, path = pages(nodes, days=days)
    browser.open(path)
    if nodes:
        browser.draw(0)
        points = browser.js("return document.querySelector('[data-chart=reading] .plot').data.at(-1).x.length")
        assert points == days
    assert browser.complaints() == []


def test_the_console_stays_silent_through_a_visit(browser, pages) -> None:
    _, path = pages(36)
    browser.open(path)
    browser.draw(0)
    browser.size(1100, 900)
    browser.js("window.dispatchEvent(new Event('resize'))")
    browser.cdp("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": "dark"}])
    dark = browser.js("return getComputedStyle(document.body).backgroundColor")
    browser.cdp("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": "light"}])
    assert dark != browser.js("return getComputedStyle(document.body).backgroundColor")
    browser.cdp("Page.printToPDF")
    assert browser.complaints() == []


def test_it_prints_as_a_document(browser, pages) -> None:
    _, path = pages(36)
    browser.open(path)
    browser.draw(0)
    pdf = base64.b64decode(browser.cdp("Page.printToPDF", preferCSSPageSize=True)["data"])
    assert pdf.startswith(b"%PDF")
    pages_printed = pdf.count(b"/Type /Page\n") or pdf.count(b"/Type /Page ") or pdf.count(b"/Type/Page/")
    assert 5 <= pages_printed <= 16
    browser.cdp("Emulation.setEmulatedMedia", media="print")
    hidden = browser.js(
        "return ['.mast nav', '.filters'].map(s => getComputedStyle(document.querySelector(s)).display)"
    )
    uncut = browser.js("return getComputedStyle(document.querySelector('#node-table tbody tr')).breakInside")
    kept = browser.js(
        "return ['#later h2', '#later .jobhead'].map(s => getComputedStyle(document.querySelector(s)).breakAfter)"
    )
    browser.cdp("Emulation.setEmulatedMedia", media="")
    assert hidden == ["none", "none"]
    assert kept == ["avoid", "avoid"], "a heading stays with its first row"
    assert uncut == "avoid"


def test_whoever_prints_at_load_gets_the_fleet_charts(browser, pages) -> None:
    _, path = pages(36)
    browser.open(path, wait=False)  # returns with the load event, as printing from the command line does
    charts = "return [...document.querySelectorAll('figure[data-panel] .plot')].map(p => p.classList.contains('drawn'))"
    drawn = browser.js(charts)
    assert len(drawn) == 5
    assert all(drawn)
    assert browser.js("return document.querySelector('iframe')") is None
    assert browser.complaints() == []


def test_on_paper_the_sections_of_this_week_are_open_and_closed_again_after(browser, pages) -> None:
    a, path = pages(36)
    browser.open(path)
    opened = (
        "return [...document.querySelectorAll('details.node[open]')].map(d => d.querySelector('summary b').textContent)"
    )
    due = {i.subject for i in a.items if i.due is not None and i.due <= a.as_of + 7 * 86_400}
    assert browser.js(opened) == []
    browser.js("dispatchEvent(new Event('beforeprint'))")
    assert set(browser.js(opened)) == due
    browser.js("dispatchEvent(new Event('afterprint'))")
    assert browser.js(opened) == []
    browser.cdp("Emulation.setEmulatedMedia", media="print")
    browser.until(lambda: set(browser.js(opened)) == due)
    text = browser.js("return document.querySelector('#each').innerText")
    browser.cdp("Emulation.setEmulatedMedia", media="")
    browser.until(lambda: browser.js(opened) == [])
    assert "the others stay closed" in text
    for f in a.findings:
        if {f.node, f.gateway} & due:
            assert f.evidence in text
    assert browser.complaints() == []


def test_without_scripts_the_words_are_there(browser, pages) -> None:
    a, path = pages(36)
    browser.cdp("Emulation.setScriptExecutionDisabled", value=True)
    try:
        browser.open(path, wait=False)
        text = browser.driver.find_element("tag name", "main").text
        table = browser.driver.find_elements("css selector", "#node-table tbody tr")
        shown = sum(1 for line in table if line.is_displayed())
    finally:
        browser.cdp("Emulation.setScriptExecutionDisabled", value=False)
    assert shown == 36
    for item in a.items:
        assert item.action in text
        assert item.reason.split("; ")[0].split(". ")[0] in text
    plan = a.fleet["visits"]
    for words in (*(v["place"] for v in plan["visits"]), *plan["unmet"], *plan["desk"], plan["proof"]):
        assert words in text
    assert "Scripts are off" in text


@pytest.mark.parametrize("size", [(1440, 900), PHONE])
def test_the_trips_are_seen_whole_and_lead_to_their_nodes(browser, pages, size) -> None:
    a, path = pages(36)
    browser.open(path, size)
    cut = browser.js(
        "return [...document.querySelectorAll('#trips *')].filter(e => e.getClientRects().length &&"
        " (e.getBoundingClientRect().right > innerWidth + 1 || (e.clientWidth && e.scrollWidth > e.clientWidth + 1)))"
        ".map(e => e.outerHTML.slice(0, 80))"
    )
    assert cut == []
    click(browser, browser.driver.find_element("css selector", ".mast nav a[href='#trips']"))
    browser.until(lambda: abs(browser.js("return document.querySelector('#trips').getBoundingClientRect().top")) < 90)
    link = browser.driver.find_element("css selector", ".tasks a")
    assert link.text == next(
        i.subject for v in a.fleet["visits"]["visits"][:1] for i in a.items if i.id == v["jobs"][0]["item"]
    )
    target = link.get_dom_attribute("href")
    click(browser, link)
    browser.until(lambda: browser.js("return document.querySelector(arguments[0]).open", target))
    assert browser.complaints() == []


@pytest.mark.parametrize("size", [(1440, 900), (1024, 768), PHONE])
def test_numbers_are_never_broken_over_lines(browser, pages, size) -> None:
    _, path = pages(36)
    browser.open(path, size)
    broken = browser.js(
        "document.querySelectorAll('details').forEach(d => { d.open = true });"
        "const broken = [], walk = document.createTreeWalker(document.querySelector('main'), NodeFilter.SHOW_TEXT);"
        "while (walk.nextNode()) for (const m of walk.currentNode.data.matchAll(/\\d[\\d,.]*\\d/g)) {"
        " const r = document.createRange(); r.setStart(walk.currentNode, m.index);"
        " r.setEnd(walk.currentNode, m.index + m[0].length);"
        " const lines = new Set([...r.getClientRects()].filter(b => b.width > 0).map(b => Math.round(b.top)));"
        " if (lines.size > 1) broken.push(walk.currentNode.data.slice(0, 80)); } return broken"
    )
    assert broken == []


LONG = tuple(f"{c}-transmitter-of-the-lateral-canal-below-the-old-{'headgate' * 6}-{n}" for n, c in enumerate("ABCDEF"))


@pytest.mark.parametrize("size", [(1440, 900), PHONE])
def test_very_long_names_stay_inside(browser, tmp_path, size) -> None:
    a = assessment(len(LONG), names=LONG)
    for row in a.nodes:
        row.name, row.site, row.gateway = row.node[::-1], "Site" * 20, "GATEWAY" * 12
    a.items = [replace(i, name=i.subject[::-1], site="Site" * 20) for i in a.items]
    a.warnings = [f"{'exports' * 20}.csv could not be read"]
    browser.open(write_report(a, tmp_path / "long.html"), size)
    browser.draw(0)
    out = browser.js(
        "const apart = '.scroll, .vh, .plot, svg, .drawn > .alt, .skip';"
        "const clipped = e => e && (e.matches(apart) || clipped(e.parentElement));"
        "return [...document.querySelectorAll('body *')].filter(e => e.getClientRects().length && !clipped(e) &&"
        " (e.getBoundingClientRect().right > innerWidth + 1 ||"
        "  (e.clientWidth && e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).display !== 'inline')))"
        ".map(e => e.outerHTML.slice(0, 80))"
    )
    assert out == []


def test_240_nodes_paint_within_a_second(browser, pages) -> None:
    _, path = pages(240)
    browser.open(path)
    paints = browser.js(
        "return Object.fromEntries(performance.getEntriesByType('paint').map(e => [e.name, e.startTime]))"
    )
    assert paints["first-contentful-paint"] < 1000


@pytest.mark.skipif(axe_source() is None, reason="AXE_CORE does not name axe.min.js")
@pytest.mark.parametrize(("size", "scheme"), [((1440, 900), "light"), ((1440, 900), "dark"), (PHONE, "light")])
def test_wcag_2_2_aa_as_far_as_a_program_can_tell(browser, pages, size, scheme) -> None:
    _, path = pages(36)
    browser.cdp("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": scheme}])
    browser.open(path, size)
    browser.draw(0)
    browser.js("document.querySelectorAll('details.figs').forEach(d => { d.open = true })")
    browser.js(axe_source())
    result = browser.driver.execute_async_script(
        "const done = arguments[0]; axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa',"
        " 'wcag22aa', 'best-practice']})"
        ".then(r => done(r.violations.map(v => [v.id, v.nodes.map(n => n.html.slice(0, 120))])))"
    )
    browser.cdp("Emulation.setEmulatedMedia", features=[])
    assert result == []

"""Pages in headless Chromium: no console error, nothing overflows on a phone or a desk, and they print.

Chromium must be there; a missing browser is a failure and no skip, since nothing else looks at the pages.
"""

import html
import json
import re
import shutil
import subprocess
from pathlib import Path

import pypdf
import pytest

from edgeagent.report.printing import print_pdf
from edgeagent.report.write import safe_name

pytestmark = pytest.mark.needs_chromium

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--hide-scrollbars",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-extensions",
)
WIDTHS = (390, 1280)
# every element outside pictures must end within the page; what scrolls by itself counts as overflowing
SEEN = """
// the text of an element as a person sees it: nothing that is hidden, clipped, see-through or without size
const seen = element => {
  const view = element.ownerDocument.defaultView;
  const walk = element.ownerDocument.createTreeWalker(element, NodeFilter.SHOW_TEXT), found = [];
  for (let node = walk.nextNode(); node; node = walk.nextNode()) {
    const holder = node.parentElement, range = node.ownerDocument.createRange();
    range.selectNodeContents(node);
    const {width, height} = range.getBoundingClientRect();
    const shown = holder.checkVisibility({opacityProperty: true, visibilityProperty: true});
    const clipped = e => e && (view.getComputedStyle(e).clipPath !== "none" || clipped(e.parentElement));
    if (shown && width > 0 && height > 0 && !clipped(holder)) found.push(node.data);
  }
  return found.join(" ");
};
"""
MEASURE = """
const frames = [...document.querySelectorAll("iframe")];
window.onload = () => {
  // what is folded is looked at unfolded, as a person does who wants to know
  frames.forEach(frame => frame.contentDocument.querySelectorAll("details").forEach(e => { e.open = true; }));
  const found = frames.map(frame => {
    const page = frame.contentDocument, width = page.documentElement.clientWidth;
    const wide = [...page.querySelectorAll("body *:not(.unseen)")].filter(e => !e.parentElement.closest("svg"))
      .filter(e => e.getBoundingClientRect().right > width + 1 || e.scrollWidth > e.clientWidth + 1 &&
        e.clientWidth > 0 && getComputedStyle(e).display !== "inline");
    return {page: frame.dataset.page, width, scroll: page.documentElement.scrollWidth,
      height: page.documentElement.scrollHeight, title: page.title,
      wide: wide.map(e => e.tagName + "." + e.getAttribute("class") + ": " + e.textContent.slice(0, 60)),
      pictures: [...page.querySelectorAll("figure svg")].map(e => e.getBoundingClientRect().height),
      values: [...page.querySelectorAll("[data-value]")].map(
        e => [e.dataset.value, seen(e)])};
  });
  document.body.innerHTML = "";
  const out = document.body.appendChild(document.createElement("pre"));
  out.id = "found"; out.textContent = JSON.stringify(found);
};
"""


def chromium(folder, *arguments):
    binary = shutil.which("chromium") or shutil.which("chromium-browser")
    assert binary is not None, "these tests need Debian's chromium on the PATH"
    profile = folder / "profile"
    command = [binary, *FLAGS, f"--user-data-dir={profile}", "--enable-logging=stderr", *arguments]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    shutil.rmtree(profile, ignore_errors=True)
    return done


@pytest.fixture(scope="module")
def shown(pages, tmp_path_factory):
    """What the browser makes of each page at each width, and its console."""
    folder = tmp_path_factory.mktemp("chromium")
    paths = [pages, *sorted(pages.parent.glob("*-parts/*.html"))]
    frames = "".join(
        f'<iframe data-page="{html.escape(path.name)}" src="{path.as_uri()}" '
        f'style="border:0;width:{width}px;height:2000px"></iframe>'
        for path in paths
        for width in WIDTHS
    )
    wrapper = folder / "all.html"
    wrapper.write_text(f"<!doctype html><body>{frames}<script>{SEEN}{MEASURE}</script>")
    done = chromium(folder, "--allow-file-access-from-files", "--dump-dom", wrapper.as_uri())
    found = re.search(r'<pre id="found">(.*)</pre>', done.stdout, re.DOTALL)
    assert found is not None, done.stderr[-2000:]
    console = [line for line in done.stderr.splitlines() if "CONSOLE" in line]
    return json.loads(html.unescape(found.group(1))), console, len(paths)


def test_every_page_was_looked_at_in_both_widths(shown):
    found, _, pages = shown
    assert [page["width"] for page in found] == [*WIDTHS] * pages
    assert all(page["title"] and page["height"] > 500 for page in found)


def test_console_stays_empty(shown):
    assert shown[1] == []


def test_nothing_is_wider_than_the_page(shown):
    for page in shown[0]:
        assert page["scroll"] <= page["width"], page["page"]
        assert page["wide"] == [], page["page"]


def test_pictures_are_drawn_with_a_height(shown):
    drawn = [height for page in shown[0] for height in page["pictures"]]
    assert len(drawn) > 50
    assert min(drawn) > 80


def test_numbers_on_the_screen_are_those_of_the_data(shown):
    """The visible text of each value, rounded as it is, agrees with the exact value behind it."""
    checked = 0
    for page in shown[0]:
        for exact, text in page["values"]:
            numbers = re.findall(r"\u2212?\d+(?:\.\d+)?", text.partition("±")[0])
            if not exact:
                assert "no value" in text
                continue
            digits = [n.replace("\u2212", "-") for n in numbers]
            assert any(round(float(exact), len(d.partition(".")[2])) == float(d) for d in digits), (exact, text)
            checked += 1
    assert checked > 500


HIDDEN = (
    '<p style="display:none">1.5</p>',
    '<p style="visibility:hidden">1.5</p>',
    '<p style="opacity:0">1.5</p>',
    '<div style="opacity:0"><p>1.5</p></div>',
    '<p style="font-size:0">1.5</p>',
    '<p style="clip-path:inset(50%)">1.5</p>',
    "<details><summary>more</summary><p>1.5</p></details>",
    '<p><span style="display:none">1.5</span></p>',
)


def test_text_that_nobody_sees_counts_as_none(tmp_path):
    page = tmp_path / "hidden.html"
    ask = 'document.title = JSON.stringify([...document.querySelectorAll("p")].map(seen))'
    page.write_text(f"<!doctype html><body>{''.join(HIDDEN)}<p>2.5</p><script>{SEEN}{ask}</script>")
    done = chromium(tmp_path, "--dump-dom", page.as_uri())
    title = re.search(r"<title>(.*)</title>", done.stdout)
    assert title is not None, done.stderr[-2000:]
    assert json.loads(html.unescape(title.group(1))) == [""] * len(HIDDEN) + ["2.5"]


@pytest.mark.parametrize("serial", ["000412", None])
def test_page_prints_to_a4_with_part_serial_and_page_number_on_every_sheet(pages, tmp_path, serial):
    name = safe_name("KX-2005-R", serial) if serial else ""
    page = pages.parent / f"{pages.stem}-parts" / f"{name}.html" if serial else pages
    sheets = pypdf.PdfReader(print_pdf(Path(shutil.copy(page, tmp_path)))).pages
    # A4 is 210 mm by 297 mm (ISO 216): 595.28 by 841.89 points
    for sheet in sheets:
        assert (float(sheet.mediabox.width), float(sheet.mediabox.height)) == pytest.approx((595, 842), abs=1)
    assert 2 <= len(sheets) <= 14
    running = "KX-2005-R, serial 000412" if serial else "Parts from 2026-03-0"
    texts = [sheet.extract_text() for sheet in sheets]
    for number, text in enumerate(texts, 1):
        assert running in text, number
        assert f"page {number} of {len(sheets)}" in text
    if serial:  # what is folded on the screen is printed
        assert "harmonic amplitude at 111 UPR is" in "".join(texts)

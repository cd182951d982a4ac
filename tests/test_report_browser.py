"""The report in a real headless browser: desktop and phone width, light and dark, with no network.

Contrast is the ratio of WCAG 2.1, success criterion 1.4.3 (w3.org/TR/WCAG21): (L1 + 0.05) / (L2 + 0.05) of relative
luminances, at least 4.5 for text. The report has no script; a page around it, made here, does the measuring.
"""

import functools
import html
import json
import re
import shutil
import subprocess

import mills
import pytest

from millsim.forecast.run import predict
from millsim.show.report.html import to_html

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
BROWSER = next((path for name in NAMES if (path := shutil.which(name))), None)
pytestmark = pytest.mark.skipif(BROWSER is None, reason="no chromium or google-chrome on the PATH")

WIDTHS = (1280, 390)  # desktop, phone [CSS px]
SCHEMES = {"dark": 0, "light": 1}  # blink's numbers of prefers-color-scheme
ENOUGH = 4.5
PROBE = """<!DOCTYPE html><html><body>FRAMES<pre id="found"></pre><script>
function seen(e) {  // colours that lie below the text of an element, nearest first
  const below = [];
  for (; e; e = e.parentElement) below.push(e.ownerDocument.defaultView.getComputedStyle(e).backgroundColor);
  return below;
}
function measure(frame) {
  const d = frame.contentDocument, w = frame.contentWindow, root = d.documentElement, pairs = {};
  const walk = d.createTreeWalker(d.body, NodeFilter.SHOW_TEXT);
  for (let n; (n = walk.nextNode());) {
    const e = n.parentElement, text = n.textContent.trim();
    if (!text || !e.getClientRects().length) continue;
    const style = w.getComputedStyle(e), key = style.color + '|' + seen(e).join('|');
    if (!(key in pairs)) pairs[key] = {text: text.slice(0, 60), color: style.color, below: seen(e)};
  }
  return {
    asked: frame.width * 1, width: root.clientWidth, scroll: root.scrollWidth, scripts: d.scripts.length,
    dark: w.matchMedia('(prefers-color-scheme: dark)').matches, title: d.title,
    images: [...d.images].map(i => [i.complete, i.naturalWidth, i.naturalHeight]),
    fetched: w.performance.getEntriesByType('resource').map(r => r.name).filter(n => !n.startsWith('data:')),
    wide: [...d.querySelectorAll('p,li,dd,dt,h1,h2,h3,figcaption')].filter(e => e.scrollWidth > e.clientWidth + 1
      && w.getComputedStyle(e).display !== 'inline').map(e => e.textContent.slice(0, 60)),
    tables: [...d.querySelectorAll('.scroll')].filter(e => e.clientWidth).map(e => [e.scrollWidth > e.clientWidth,
      w.getComputedStyle(e, '::before').content !== 'none', e.querySelector('caption').textContent]),
    pictures: [...d.querySelectorAll('.plate')].map(e => e.scrollWidth - e.clientWidth),
    texts: Object.values(pairs)};
}
onload = () => {
  const found = [...document.querySelectorAll('iframe')].map(measure);
  document.getElementById('found').textContent = JSON.stringify(found);
};
</script></body></html>
"""


def look(folder, page, scheme):
    """What a browser finds in the page at each width: a list of measurements, in the order of WIDTHS."""
    (folder / "page.html").write_text(page, encoding="utf-8")
    frames = "".join(f'<iframe src="page.html" width="{w}" height="900"></iframe>' for w in WIDTHS)
    (folder / "probe.html").write_text(PROBE.replace("FRAMES", frames), encoding="utf-8")
    command = [
        BROWSER, "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run",
        f"--user-data-dir={folder / 'profile'}", "--host-resolver-rules=MAP * ~NOTFOUND",
        "--allow-file-access-from-files", f"--blink-settings=preferredColorScheme={SCHEMES[scheme]}",
        "--virtual-time-budget=5000", "--dump-dom", (folder / "probe.html").as_uri(),
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, timeout=120, check=False)
    text = re.search(r'<pre id="found">(.*?)</pre>', done.stdout.decode("utf-8"), re.DOTALL)
    assert text and text[1], f"the browser measured nothing (exit {done.returncode}): {done.stderr.decode()[-800:]}"
    return json.loads(html.unescape(text[1]))


@functools.cache
def page():
    config = mills.config("demo", "run.band_samples=8", "run.trace=false")
    return to_html(predict(config, engine="balance", seed=5, command="millsim predict demo.toml --seed 5"))


@pytest.fixture(scope="module", params=SCHEMES)
def found(request, tmp_path_factory):
    """(scheme, measurements by width) of the report of the demo."""
    return request.param, look(tmp_path_factory.mktemp(request.param), page(), request.param)


def rgba(text):
    """(r, g, b, alpha) of a computed colour: 0..255 and 0..1."""
    numbers = [float(n) for n in re.findall(r"[\d.]+", text)]
    return (*numbers[:3], numbers[3] if len(numbers) > 3 else 1.0)


def luminance(rgb):
    """Relative luminance of an sRGB colour, WCAG 2.1."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in (v / 255 for v in rgb[:3])]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a, b):
    """Contrast ratio of two colours, WCAG 2.1."""
    light, dark = sorted((luminance(a), luminance(b)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def contrasts(measured):
    """(ratio, text) of every pair of text and background colours of a page."""
    pairs = []
    for t in measured["texts"]:
        opaque = [rgba(c) for c in t["below"] if rgba(c)[3] > 0.0]
        assert all(c[3] == 1.0 for c in opaque[:1]), "half-transparent backgrounds are not reckoned here"
        pairs.append((contrast(rgba(t["color"]), (opaque or [(255, 255, 255, 1.0)])[0]), t["text"]))
    return pairs


def test_the_contrast_formula_by_hand():
    # WCAG 2.1: black on white 21:1; #767676 is the lightest grey that passes on white, 4.54:1.
    assert contrast((0, 0, 0), (255, 255, 255)) == pytest.approx(21.0)
    assert contrast((0x76, 0x76, 0x76), (255, 255, 255)) == pytest.approx(4.54, abs=0.005)
    assert contrast((0x77, 0x77, 0x77), (255, 255, 255)) < ENOUGH


def test_the_page_fits_every_width(found):
    scheme, measured = found
    assert [m["asked"] for m in measured] == list(WIDTHS)
    for m in measured:
        assert m["asked"] - 20 <= m["width"] <= m["asked"]
        assert m["dark"] == (scheme == "dark"), "the browser did not take the scheme"
        assert m["title"] == "Milling report: workshop acrylic mill"
        assert m["scroll"] <= m["width"], f"{m['scroll'] - m['width']} px beside a page of {m['width']} px"
        assert m["wide"] == [], "text that runs out of its box"


def test_tables_and_pictures_are_whole_or_say_that_they_scroll(found):
    for m in found[1]:
        assert max(m["pictures"]) <= 0, "a figure shows a part of itself"
        assert len(m["tables"]) > 8
        for wider, says, caption in m["tables"]:
            assert wider == says, caption
    assert not any(wider for wider, *_ in found[1][0]["tables"]), "a table is cut on a desktop"
    assert any(wider for wider, *_ in found[1][1]["tables"]), "else the test above shows nothing"


def test_every_picture_is_there_without_network_or_script(found):
    for m in found[1]:
        assert len(m["images"]) >= 6
        assert all(complete and w > 0 and h > 0 for complete, w, h in m["images"])
        assert m["fetched"] == [] and m["scripts"] == 0


def test_text_is_legible_in_both_schemes(found):
    scheme, measured = found
    for m in measured:
        pairs = contrasts(m)
        assert len(pairs) >= 5
        assert min(pairs)[0] >= ENOUGH, min(pairs)
    body = measured[0]["texts"][0]["below"]
    paper = next(rgba(c) for c in body if rgba(c)[3] > 0.0)
    assert (luminance(paper) < 0.05) == (scheme == "dark")


def test_the_browser_sees_a_bad_page(tmp_path):
    bad = (
        '<!DOCTYPE html><html><head><title>bad</title></head><body style="background:#fff">'
        '<p style="width:2000px;color:#999">faint and wide</p><img src="http://example.invalid/a.png">'
        '<p style="width:5rem">Unbreakablewordthatrunsoutofitsbox</p></body></html>'
    )
    for m in look(tmp_path, bad, "light"):
        assert m["scroll"] > m["width"]
        assert m["images"][0][1] == 0
        assert m["fetched"] == ["http://example.invalid/a.png"]
        assert min(contrasts(m))[0] == pytest.approx(contrast((0x99,) * 3, (255,) * 3))
        assert m["wide"] == ["Unbreakablewordthatrunsoutofitsbox"]

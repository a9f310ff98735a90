"""A reader's browser: headless Chromium, which has to be installed."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from browser import tank
from gaugeglass.publication import figures, page
from publication import water_tank

CHROMIUM = "/usr/bin/chromium"
AXE = Path(__file__).parent / "axe" / "axe.min.js"


@pytest.fixture(scope="session")
def chromium():
    """Chromium as Debian installs it; without it these tests fail, for a page that nobody tried is not known to work."""
    from playwright.sync_api import sync_playwright

    found = shutil.which("chromium") or CHROMIUM
    if not Path(found).exists():
        pytest.fail(f"there is no Chromium at {CHROMIUM}: install the package 'chromium'", pytrace=False)
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=found)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def pool():
    """The tank's draws."""
    return tank.pool()


@pytest.fixture(scope="session")
def write(tmp_path_factory):
    """Write the tank's page with a pool and an assessment, and give its address."""
    folder = tmp_path_factory.mktemp("pages")
    spec = water_tank.spec()
    drawn = figures.pictures(spec, water_tank.assessment(), *water_tank.draws())

    def written(name: str, pool, assessment) -> str:
        path = folder / f"{name}.html"
        path.write_text(page.page(spec, assessment, drawn, {"seed": 7}, pool=pool), encoding="utf-8")
        return path.as_uri()

    return written


@pytest.fixture(scope="session")
def address(write, pool):
    """The address of the tank's page."""
    return write("tank", pool, tank.assessment(pool))


TOLD = """(a) => ({
  claims: a.claims, weights: a.weights, isAnswered: a.isAnswered, isReliable: a.isReliable, weakest: a.weakest,
  parts: a.parts.map(({k, size, logZ}) => ({k, size, logZ})),
})"""
"""What of an answer is handed to Python."""


class Reader:
    """One open page, and everything that it did beside being read."""

    def __init__(self, view) -> None:
        self.view = view
        view.set_default_timeout(10_000)
        self.requests: list[str] = []
        self.complaints: list[str] = []
        view.on("request", lambda request: self.requests.append(request.url))
        view.on("pageerror", lambda error: self.complaints.append(str(error)))
        view.on(
            "console", lambda said: self.complaints.append(said.text) if said.type in ("error", "warning") else None
        )
        view.on("dialog", lambda dialog: (self.complaints.append(dialog.message), dialog.dismiss()))

    def open(self, address: str, fragment: str = "") -> Reader:
        """Open an address and wait until the page can be questioned, and its picture is drawn."""
        self.view.goto("about:blank")
        self.view.goto(f"{address}#{fragment}" if fragment else address)
        self.view.locator("#question").wait_for()
        self.view.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
        return self

    def ask(self, fragment: str) -> Reader:
        """Ask by the address of the page that is open."""
        self.view.evaluate("(text) => { location.hash = text; }", fragment)
        return self

    def text(self, selector: str) -> str:
        """What stands somewhere, on one line."""
        return " ".join(self.view.locator(selector).first.inner_text().split())

    def rested(self) -> str:
        """All that can be questioned, once what a screen reader is told has come to rest."""
        self.view.wait_for_timeout(700)
        return self.text("#question")

    def claim(self, index: int) -> str:
        """What the page says of a claim now."""
        return self.view.locator(f".rows [data-claim='{index}']").text_content()

    def weight(self, index: int) -> str:
        """What the page says of a hypothesis now."""
        return self.view.locator(f"[data-weight='{index}']").text_content()

    def answer(self) -> dict:
        """The numbers behind what the page says now."""
        return self.view.evaluate(f"() => ({TOLD})(gaugeglass.page.answer)")

    def answers(self, fragments: list[str]) -> list[dict]:
        """The numbers that the page would say at each of so many addresses."""
        return self.view.evaluate(
            f"""(texts) => texts.map((text) => {{
              const {{pool}} = gaugeglass.page;
              return ({TOLD})(gaugeglass.answer(pool, gaugeglass.understood(pool, text).state));
            }})""",
            fragments,
        )

    def fragment(self) -> str:
        """What the address says behind #, once it has been written."""
        self.view.wait_for_timeout(400)
        return self.view.evaluate("location.hash.slice(1)")


@pytest.fixture
def reader(chromium):
    """A reader of wide screens, in the light."""
    context = chromium.new_context(viewport={"width": 1280, "height": 900}, color_scheme="light")
    yield Reader(context.new_page())
    context.close()

"""Make the pictures of the docs from the demo: docs/report.png (a browser is needed) and docs/pictures/*.png.

``python docs/make_pictures.py`` makes all of them, ``--figures`` only those that need no browser.
"""

import io
import shutil
import sys
import tempfile
from pathlib import Path

from PIL import Image

ROOT = Path(__file__).resolve().parents[1]
DOCS = ROOT / "docs"
sys.path.insert(0, str(ROOT / "tests" / "helpers"))

from demo_copies import small_copy  # noqa: E402  after the path is set

from thermlab.archives.filing import archive  # noqa: E402
from thermlab.compare.analysis import analyse  # noqa: E402
from thermlab.planning import make as planning  # noqa: E402
from thermlab.planning import pages as plan_pages  # noqa: E402
from thermlab.reports import figures  # noqa: E402
from thermlab.reports.make import report  # noqa: E402
from thermlab.reports.pictures import Pictures  # noqa: E402

FIGURES = ("differences", "throttle", "rise_against_power", "traces", "checks", "doubtful_runs")
PLAN = {
    "margin_K": 1.0, "treatments": ("tern-grease", "plover-paste", "dulse-pad"), "baseline": "tern-grease",
    "mounts": 3, "steps_W": (45.0, 65.0, 85.0, 105.0, 125.0),
}  # fmt: skip
COLOURS = 128


def draw(campaign: Path) -> dict[str, bytes]:
    """Return every figure of a report and of a plan as PNG, by name."""
    analysis = analyse(campaign)
    drawn = {"plan": plan_pages.trade(planning.plan(**PLAN)).png()}
    for name in FIGURES:
        made = getattr(figures, name)(analysis)
        drawn[name] = (made[0] if isinstance(made, Pictures) else made).png()
    return drawn


def screens(campaign: Path, place: Path) -> dict[str, bytes]:
    """Return the first screens of a report, an archive and a bench sheet as a browser shows them."""
    from playwright.sync_api import sync_playwright  # noqa: PLC0415  only here

    outcome = report([campaign])[0]
    if outcome.page is None or outcome.state != "ok":
        raise RuntimeError(outcome.message)
    archive(campaign, to=place / "archive")
    planning.plan(place / "plan", **PLAN)
    wanted = {
        "report": (outcome.page, 1180, 1060),
        "archive": (place / "archive" / "index.html", 1180, 420),
        "bench_sheet": (place / "plan" / "bench_sheet.html", 900, 640),
    }
    shots = {}
    with sync_playwright() as playwright:
        chromium = shutil.which("chromium") or shutil.which("chromium-browser")
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        for name, (page, width, height) in wanted.items():
            context = browser.new_context(viewport={"width": width, "height": height})
            tab = context.new_page()
            tab.goto(page.as_uri())
            shots[name] = tab.screenshot()
            context.close()
        browser.close()
    return shots


def save(name: str, png: bytes) -> None:
    """Write a picture with few colours and say how large it is."""
    path = DOCS / name
    path.parent.mkdir(exist_ok=True)
    image = Image.open(io.BytesIO(png)).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
    image.save(path, "PNG", optimize=True)
    print(f"docs/{name}: {path.stat().st_size} bytes")


def main() -> None:
    """Make every picture."""
    with tempfile.TemporaryDirectory() as folder:
        campaign = small_copy(Path(folder) / "chart-table", every=1)
        for name, png in draw(campaign).items():
            save(f"pictures/{name}.png", png)
        if "--figures" in sys.argv:
            return
        for name, png in screens(campaign, Path(folder)).items():
            save("report.png" if name == "report" else f"pictures/{name}.png", png)


if __name__ == "__main__":
    sys.exit(main())

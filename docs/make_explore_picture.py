"""Make docs/explore.png: the exploration notebook in JupyterLab, on the demo, with a run opened."""

import io
import sys
import tempfile
from pathlib import Path

from PIL import Image

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests" / "helpers"))

from demo_copies import whole_logs  # noqa: E402  after the path is set
from lab_session import browser, lab, open_notebook, run_all, workshop  # noqa: E402


def main() -> None:
    """Run the notebook, scroll to the ranking and write what the window shows with few colours."""
    with tempfile.TemporaryDirectory() as name:
        place = workshop(Path(name) / "thermlab", whole_logs(Path(name) / "simulated"))
        with lab(place) as (address, token), browser() as chromium:
            page = chromium.new_page(viewport={"width": 1180, "height": 1180})
            open_notebook(page, address, token, "explore_anomalies")
            run_all(page, timeout_s=120)
            page.keyboard.press("ControlOrMeta+b")  # the list of files away
            page.add_style_tag(content="#jp-MainLogo { visibility: hidden; }")
            page.locator("h2", has_text="Which runs to doubt").evaluate("e => e.scrollIntoView()")
            page.wait_for_timeout(500)
            shot = page.screenshot()
    picture = Image.open(io.BytesIO(shot)).convert("P", palette=Image.Palette.ADAPTIVE, colors=160)
    picture.save(ROOT / "docs" / "explore.png", optimize=True)
    print(f"docs/explore.png: {(ROOT / 'docs' / 'explore.png').stat().st_size} bytes")


if __name__ == "__main__":
    sys.exit(main())

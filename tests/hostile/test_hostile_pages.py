"""Payloads in every text that other people write: in a browser nothing of it runs, and nothing is fetched.

Every page is opened twice, as it is and with its content security policy taken out: the policy is the second fence,
and the first one, escaping, has to hold alone, because JupyterLab shows the same blocks without any policy.
"""

import csv
import io
import re
import shutil
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import yaml
from build_examples import build_settings, write_log
from PIL import Image
from playwright import sync_api

from thermlab.archives.filing import archive
from thermlab.archives.listing import write_index
from thermlab.builds.make import record
from thermlab.explore import exploring, sheet_edit
from thermlab.explore import pages as exploration_pages
from thermlab.first_look import pages as first_look_pages
from thermlab.first_look import proposals
from thermlab.first_look.look import look
from thermlab.histories.findings import history
from thermlab.histories.page import write_history
from thermlab.planning import pages as plan_pages
from thermlab.planning.folder import bench_sheet_html
from thermlab.planning.make import plan
from thermlab.reports.make import report
from thermlab.simulate.ladders import SimulatedTreatment, simulate_campaign
from thermlab.simulate.logs import write_campaign
from thermlab.simulate.network import passive_bench
from thermlab.simulate.readings import Disturbance

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
pytestmark = pytest.mark.skipif(
    CHROMIUM is None, reason="no Chromium on this machine: pages cannot be opened in a browser"
)

PAYLOADS = (
    "<img src=x onerror=alert(1)>",
    '"><svg onload=alert(1)>',
    "'><script>alert(1)</script>",
    "</title></style></textarea></script><script src=http://hostile.invalid/x.js></script>",
    '<iframe srcdoc="<script>parent.alert(1)</script>"></iframe>',
    '<a href="javascript:alert(1)" id=answer>here</a>',
    "[here](javascript:alert(1)) ![picture](http://hostile.invalid/p.png)",
    "<meta http-equiv=refresh content='0;url=http://hostile.invalid/'>",
    "<link rel=stylesheet href=//hostile.invalid/s.css><style>*{background:url(//hostile.invalid/b)}</style>",
    "<base href=http://hostile.invalid/><form action=//hostile.invalid/><input autofocus onfocus=alert(1)></form>",
    "{{ 7 * 7 }}{% include '/etc/passwd' %}<b onpointerenter=alert(1)>",
    r"$\frac{x}$ $\href{javascript:alert(1)}{x}$ <img/src/onerror=alert(1)>",
    '" onfocus=alert(1) autofocus tabindex=1 x="',
    "--><!--><img src=x onerror=alert(1)>",
    "&lt;img src=x onerror=alert(1)&gt;&#60;script&#62;alert(1)&#60;/script&#62;",
    "%s %(x)s {0} {x.__class__} \\x3cimg src=x onerror=alert(1)\\x3e",
)
IN_A_FILE_NAME = ("<img src=x onerror=alert(1)>", '"><svg onload=alert(1)>', "'onerror=alert(1) x=")


class Poison:
    """Hands out the payloads in turn, each with a number of its own so that names stay different."""

    def __init__(self):
        self.count = 0

    def __call__(self, limit=200):
        while True:
            self.count += 1
            text = f"{self.count} {PAYLOADS[self.count % len(PAYLOADS)]}"
            if len(text) <= limit:
                return text


def poisoned_campaign(folder):
    """Write a campaign in which every name and text is a payload; its logs stay readable."""
    poison = Poison()
    simulated = simulate_campaign(
        passive_bench(),
        [
            SimulatedTreatment(name="grease-a", resistance_K_per_W=0.12, mount_sd_K_per_W=0.001),
            SimulatedTreatment(name="pad-b", resistance_K_per_W=0.07, mount_sd_K_per_W=0.001),
        ],
        steps_W=(50.0, 70.0, 90.0),
        rng=np.random.default_rng(11),
        n_mounts=2,
        disturbances={("pad-b", 1, 1): [Disturbance(kind="stuck", start_min=5.0, end_min=35.0, core=0)]},
    )
    write_campaign(folder, simulated, settings={"limits": {"temperature_C": 95.0, "room_C": 35.0}})
    settings = yaml.safe_load((folder / "campaign.yaml").read_text(encoding="utf-8"))
    names = {name: poison() for name in settings["treatments"]}
    settings |= {
        "title": poison(),
        "bench": poison(),
        "currency": "<b>EUR</b>",
        "baseline": names[settings["baseline"]],
    }
    settings["treatments"] = {
        new: {"description": poison(), "handling": poison(), "pack_price": 5.0, "uses_per_pack": 4}
        for new in names.values()
    }
    settings["prior"] = {"mount_sd_K_per_W": 0.006, "dof": 12, "source": poison()}
    columns = {
        cell: f"<img src=x onerror=alert({i})> {cell}" for i, cell in enumerate(header_of(folder)) if "[" in cell
    }
    for kind in ("temperature", "power", "clock", "ambient"):
        settings["log"][kind]["columns"] = [
            f"<img src=x onerror=alert(*)> {name}" for name in settings["log"][kind]["columns"]
        ]
    (folder / "campaign.yaml").write_text(
        yaml.safe_dump(settings, allow_unicode=True, sort_keys=False), encoding="utf-8"
    )
    logs = {}
    for i, path in enumerate(sorted((folder / "logs").iterdir())):
        text = path.read_text(encoding="utf-8")
        for old, new in columns.items():
            text = text.replace(old, new, 1)
        path.unlink()
        new = path.with_name(f"{i} {IN_A_FILE_NAME[i % len(IN_A_FILE_NAME)]}.csv")
        new.write_text(text, encoding="utf-8")
        logs[f"logs/{path.name}"] = f"logs/{new.name}"
    rows = list(csv.DictReader(io.StringIO((folder / "runs.csv").read_text(encoding="utf-8"))))
    mounts = {(row["treatment"], row["mount"]): poison() for row in rows}
    for i, row in enumerate(rows):
        row["mount"] = mounts[row["treatment"], row["mount"]]
        row |= {"run": poison(), "treatment": names[row["treatment"]], "log": logs[row["log"]]}
        row |= {"note": poison(), "lot": poison(), "condition": poison(), "exclude": poison() if i == 4 else ""}
    with (folder / "runs.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return list(names.values())


def header_of(folder):
    first = min((folder / "logs").iterdir())
    return first.read_text(encoding="utf-8").splitlines()[0].split(",")


def poisoned_build(folder, treatment):
    """Write a build in which every text is a payload."""
    poison = Poison()
    photo = f"photos/{IN_A_FILE_NAME[0]}.jpg"
    log = f"logs/{IN_A_FILE_NAME[1]}.csv"
    settings = build_settings(
        build=poison(), title=poison(), treatment=treatment, lot=poison(), notes=poison(), signature=poison(),
        runs=[{"run": poison(), "set_power_W": 90, "log": log, "note": poison()}],
        photos=[{"file": photo, "shows": poison()}],
    )  # fmt: skip
    write_log(folder / log, 90.0)
    (folder / "photos").mkdir()
    Image.new("RGB", (40, 30), "grey").save(folder / photo)
    (folder / "build.yaml").write_text(yaml.safe_dump(settings, allow_unicode=True), encoding="utf-8")


PLANNED = {"margin_K": 1.0, "treatments": ("a", "b"), "baseline": "a", "mounts": 2, "mount_sd_K": 0.5}


def poisoned_bench_sheet():
    """Return a bench sheet with payloads that a plan would not even take as names."""
    planned = plan(**PLANNED)
    poison = Poison()
    runs = [replace(run, run=poison(), treatment=poison(), mount=poison()) for run in planned.runs]
    return bench_sheet_html(replace(planned, runs=tuple(runs), title=poison()))


def live_blocks(folder):
    """Return what notebooks show, as JupyterLab would show it: without a policy."""
    found = exploring.explore(folder)
    run = exploring.chosen(found).run.run
    seen = look(folder / "logs")
    planned = plan(**PLANNED)
    blocks = [
        exploration_pages.campaign_list(folder.parent),
        exploration_pages.overview(found),
        exploration_pages.ranking(found),
        exploration_pages.one_run(found, run),
        exploration_pages.leverage(found),
        exploration_pages.with_and_without(exploring.try_exclusions(found, exploring.heaviest(found))),
        sheet_edit.exclude_run(found.campaign, run, PAYLOADS[1], write=False),
        first_look_pages.files(seen),
        first_look_pages.columns(seen),
        first_look_pages.proposal(proposals.propose(seen)),
        plan_pages.numbers(planned),
        plan_pages.under_way(folder),
    ]
    return "\n".join(block._repr_html_() for block in blocks)


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """Every page the kit writes, all of them poisoned."""
    place = tmp_path_factory.mktemp("hostile")
    campaign = place / "campaign <img src=x onerror=alert(1)>"
    names = poisoned_campaign(campaign)
    (outcome,) = report(campaign)
    assert outcome.state == "ok", outcome.message
    build = place / "build"
    build.mkdir()
    poisoned_build(build, names[1])
    settings = yaml.safe_load((build / "build.yaml").read_text(encoding="utf-8"))
    settings["campaign"] = f"../{campaign.name}"
    (build / "build.yaml").write_text(yaml.safe_dump(settings, allow_unicode=True), encoding="utf-8")
    made = record(build)
    assert made.state == "ok", made.message
    store = place / "store <svg onload=alert(1)>"
    archive(campaign, to=store)
    archive(build, to=store)
    write_history(history(store), store)
    (place / "bench_sheet.html").write_text(poisoned_bench_sheet(), encoding="utf-8")
    live = live_blocks(campaign)
    (place / "live.html").write_text(f"<!DOCTYPE html><meta charset=utf-8><body>{live}</body>", encoding="utf-8")
    return {
        "report": outcome.page,
        "record": made.page,
        "index": write_index(store),
        "history": store / "history.html",
        "bench sheet": place / "bench_sheet.html",
        "live notebooks": place / "live.html",
    }


@pytest.fixture(scope="module")
def browser():
    with sync_api.sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-dev-shm-usage"])
        yield found
        found.close()


def opened(browser, path):
    """Open a page and touch everything on it; return dialogs, requests besides the page, and what is odd in it."""
    page = browser.new_page()
    dialogs, requests = [], []
    page.on("dialog", lambda dialog: (dialogs.append(dialog.message), dialog.dismiss()))
    page.on("request", lambda request: requests.append(request.url))
    page.goto(path.as_uri())
    odd = page.evaluate(
        """() => {
          const odd = [];
          for (const element of document.querySelectorAll("*")) {
            for (const attribute of element.attributes) {
              if (attribute.name.startsWith("on")) odd.push(element.tagName + " " + attribute.name);
              if (/^\\s*javascript:/i.test(attribute.value)) odd.push(element.tagName + " javascript:");
            }
            if (element.matches("iframe, object, embed, base, form, link, script")) odd.push(element.tagName);
            for (const kind of ["pointerenter", "mouseover", "focus"]) element.dispatchEvent(new Event(kind));
          }
          return odd;
        }"""
    )
    page.wait_for_timeout(150)
    text = page.content()
    page.close()
    return dialogs, [url for url in requests if url != path.as_uri() and not url.startswith("data:")], odd, text


POLICY = re.compile(r'<meta http-equiv="Content-Security-Policy"[^>]*>')


@pytest.mark.parametrize("name", ["report", "record", "index", "history", "bench sheet", "live notebooks"])
def test_nothing_runs_and_nothing_is_fetched(browser, pages, name, tmp_path):
    path = pages[name]
    text = path.read_text(encoding="utf-8")
    assert "alert(1)" in text, "the page shows no payload: nothing is tried"

    dialogs, requests, odd, _ = opened(browser, path)
    assert (dialogs, requests) == ([], [])
    # The list of an archive has one script of its own, allowed by its hash.
    assert odd == (["SCRIPT"] if name == "index" else [])

    (bare,) = [tmp_path / "bare.html"]
    bare.write_text(POLICY.sub("", text), encoding="utf-8")
    dialogs, requests, _, _ = opened(browser, bare)
    assert (dialogs, requests) == ([], [])


@pytest.mark.parametrize("name", ["report", "record", "index", "history", "bench sheet"])
def test_every_page_has_a_policy_before_anything_else_counts(pages, name):
    text = pages[name].read_text(encoding="utf-8")

    (policy,) = POLICY.findall(text)
    for part in ("default-src 'none'", "base-uri 'none'", "form-action 'none'"):
        assert part in policy
    assert "unsafe-eval" not in policy
    assert text.index(policy) < text.index("<title>")


def test_the_policy_holds_alone_where_escaping_were_forgotten(browser, pages, tmp_path):
    text = pages["report"].read_text(encoding="utf-8")
    hurt = tmp_path / "hurt.html"
    hurt.write_text(text.replace("<main", "".join(PAYLOADS[:7]) + "<main", 1), encoding="utf-8")

    dialogs, requests, _, _ = opened(browser, hurt)

    assert dialogs == []
    assert [url for url in requests if "hostile" in url] == []


@pytest.mark.parametrize("payload", PAYLOADS[:5])
def test_this_test_notices_what_runs(browser, tmp_path, payload):
    page = tmp_path / "page.html"
    page.write_text(f"<!DOCTYPE html><body>{payload}</body>", encoding="utf-8")

    dialogs, requests, odd, _ = opened(browser, page)

    assert dialogs or requests
    assert odd


def leads_to_script(name, value):
    return name not in {"alt", "title"} and "javascript:" in (value or "").lower()


class Acting(HTMLParser):
    """Tags and attributes that run something; names within a quoted attribute are only words."""

    def __init__(self):
        super().__init__()
        self.found = []

    def handle_starttag(self, tag, attrs):
        self.found += [tag] if tag in {"script", "iframe", "object", "embed"} else []
        self.found += [name for name, value in attrs if name.startswith("on") or leads_to_script(name, value)]


def what_acts(html):
    parser = Acting()
    parser.feed(html)
    return parser.found


def test_what_acts_is_noticed():
    assert what_acts('<img alt="onerror=alert(1) javascript:alert(1) &lt;script&gt;" src="data:,">') == []
    assert what_acts("<img src=x onerror=alert(1)><script>alert(1)</script>") == ["onerror", "script"]
    assert what_acts('<a href="JavaScript:alert(1)">x</a>') == ["href"]


def test_the_notebooks_of_a_report_and_a_record_hold_no_markup_of_others(pages):
    import nbformat

    for name in ("report", "record"):
        notebook = nbformat.read(Path(pages[name]).with_suffix(".ipynb"), as_version=4)
        outputs = [o for cell in notebook.cells if cell.cell_type == "code" for o in cell.outputs]
        assert outputs
        for output in outputs:
            assert not {"text/markdown", "text/latex", "image/svg+xml", "application/javascript"} & set(output.data)
            html = output.data.get("text/html", "")
            assert what_acts(html) == [], name

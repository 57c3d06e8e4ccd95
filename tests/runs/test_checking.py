"""What `thermlab check` says beyond what is wrong."""

import re
from itertools import pairwise

import numpy as np
import pytest

from thermlab.base.errors import InputError
from thermlab.runs.reading import check
from thermlab.simulate.ladders import SimulatedTreatment, simulate_campaign
from thermlab.simulate.logs import LogDialect, write_campaign
from thermlab.simulate.network import forced_bench


@pytest.fixture(scope="module")
def small():
    treatments = [SimulatedTreatment(name=name, resistance_K_per_W=0.1) for name in ("grease-a", "pad-b")]
    return simulate_campaign(
        forced_bench(), treatments, steps_W=(60.0, 90.0), rng=np.random.default_rng(3), n_mounts=1, soak_min=10.0,
        interval_s=5.0,
    )  # fmt: skip


@pytest.mark.parametrize(("ahead_s", "lost"), [(0.0, False), (2400.0, True)])
def test_a_room_file_on_another_clock_is_noticed_before_the_report(small, tmp_path, ahead_s, lost):
    dialect = LogDialect(room="own file", room_clock_ahead_s=ahead_s)
    folder = write_campaign(tmp_path / "campaign", small, dialect=dialect)
    settings = folder / "campaign.yaml"
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text.replace(f"clock_offset_s: {-ahead_s}", "clock_offset_s: 0.0"), encoding="utf-8")

    found = [caution for caution in check(folder).cautions if "the room is not known" in caution]

    assert bool(found) == lost
    if lost:
        assert "grease-a-1-60W (0%)" in found[0]
        assert found[0].endswith("Is ambient_log.clock_offset_s right?")


@pytest.mark.parametrize("hours_later", [0, 4])
def test_logs_of_two_days_without_dates_cannot_share_a_room_file(small, tmp_path, hours_later):
    folder = write_campaign(tmp_path / "campaign", small, dialect=LogDialect(room="own file"))
    dates = sorted(set(re.findall(r"\d{4}-\d\d-\d\d", (folder / "runs.csv").read_text(encoding="utf-8"))))
    assert len(dates) == 2

    def undated(found):
        return f"{int(found[2]) + (hours_later if found[1] == dates[1] else 0):02d}"

    for path in (folder / "campaign.yaml", folder / "runs.csv", *(folder / "logs").iterdir()):
        text = path.read_text(encoding="utf-8").replace("%Y-%m-%d ", "")
        path.write_text(re.sub(r"(\d{4}-\d\d-\d\d) (\d\d)", undated, text), encoding="utf-8")

    if hours_later:
        assert check(folder).cautions == ()  # as if made one after the other on one day
        return
    with pytest.raises(InputError, match=r"found times without dates that logs/.* has too: logs/room\.csv cannot"):
        check(folder)


def test_a_run_that_ends_as_the_next_begins_leaves_it_the_reading_of_that_moment(small, tmp_path):
    folder = write_campaign(tmp_path / "campaign", small)
    path = folder / "runs.csv"
    header, *lines = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
    before = check(folder).runs
    assert "readings in" in before[0]
    start, end = header.index("start"), header.index("end")
    for line, following in pairwise(lines):
        if line[header.index("log")] == following[header.index("log")]:
            line[end] = following[start]
    path.write_text("\n".join(",".join(line) for line in [header, *lines]), encoding="utf-8")

    assert check(folder).runs == before


def test_what_the_scaffold_left_open_is_named(small, tmp_path):
    folder = write_campaign(tmp_path / "campaign", small)
    path = folder / "campaign.yaml"
    text = path.read_text(encoding="utf-8")
    path.write_text(re.sub(r"(?m)^title: .*$", "title: <what is compared>", text), encoding="utf-8")

    assert check(folder).cautions == ("campaign.yaml still has <...> in title: fill it in, it stands in the report.",)

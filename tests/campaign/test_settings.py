"""campaign.yaml: what is accepted, and the text of every refusal."""

# ruff: noqa: E501  (a row of a table of cases stands on one line)

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from thermlab.base.errors import InputError
from thermlab.campaign.parameters import apply_overrides
from thermlab.campaign.settings import CampaignSettings, Prior, Treatment
from thermlab.campaign.yaml_files import MAX_PROBLEMS, MAX_VALUES, MAX_YAML_BYTES, load_yaml, read_model, resolve
from thermlab.logs.settings import TimeSettings

MINIMAL = """\
title: Grease or pad
baseline: grease-a
treatments:
  grease-a: {}
  pad-b: {}
decision:
  margin_K: 1.0
log:
  time: {columns: [time], format: "%Y-%m-%d %H:%M:%S"}
  temperature: {columns: ["die *"], unit: degC}
  power: {columns: [power], unit: W}
  ambient: {columns: [room], unit: degC}
"""


def problems_of(text: str | bytes) -> list[str]:
    raw = text.encode() if isinstance(text, str) else text
    model, problems = read_model(CampaignSettings, load_yaml(raw, "campaign.yaml"))
    assert (model is None) == bool(problems)
    return [str(problem) for problem in problems]


def read(text: str) -> CampaignSettings:
    model, problems = read_model(CampaignSettings, load_yaml(text.encode(), "campaign.yaml"))
    assert model is not None, problems
    return model


def test_the_least_that_is_enough_has_the_documented_defaults():
    found = read(MINIMAL)
    assert found.bench == ""
    assert found.cooling == "passive"
    assert found.measurand == "hottest"
    assert found.currency is None
    assert found.limits is None
    assert found.soak is None
    assert found.decision.confidence_level == 0.95
    assert found.log.delimiter == ","
    assert found.log.missing == ()
    assert found.uncertainty.model_dump() == {
        "temperature_resolution_K": 1.0,
        "temperature_u_K": 0.5,
        "ambient_u_K": 0.3,
        "power_u_percent": 1.0,
    }
    assert found.analysis.variance == "auto"
    assert list(found.treatments) == ["grease-a", "pad-b"]
    with pytest.raises(ValidationError, match="frozen"):
        found.bench = "other"


def test_the_demo_campaign_is_accepted():
    path = Path(__file__).parents[2] / "demo" / "chart-table" / "campaign.yaml"
    assert read(path.read_text(encoding="utf-8")).decision.reference_power_W == 105


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("margin_K: 1.0", "margin: 1.0", "campaign.yaml:7 (decision.margin): found the unknown key 'margin'; the nearest known key is margin_K; allowed: the keys margin_K, reference_power_W, confidence_level, mounts_planned"),
        ("margin_K: 1.0", "margin: 1.0", "campaign.yaml:6 (decision.margin_K): found no such key; allowed: required: the smallest difference that matters, K"),
        ("margin_K: 1.0", "margin_K: true", "campaign.yaml:7 (decision.margin_K): found true; allowed: a finite number: the smallest difference that matters, K"),
        ("margin_K: 1.0", 'margin_K: "1.0"', "campaign.yaml:7 (decision.margin_K): found the text '1.0'; allowed: a finite number"),
        ("margin_K: 1.0", "margin_K: 12:30", "campaign.yaml:7 (decision.margin_K): found the text '12:30'; allowed: a finite number"),
        ("margin_K: 1.0", "margin_K: 1,5", "campaign.yaml:7 (decision.margin_K): found the text '1,5'; allowed: a finite number"),
        ("margin_K: 1.0", "margin_K: .inf", "campaign.yaml:7 (decision.margin_K): found inf; allowed: a finite number"),
        ("margin_K: 1.0", "margin_K: 0", "campaign.yaml:7 (decision.margin_K): found 0; allowed: more than 0"),
        ("margin_K: 1.0", "margin_K: 1\n  confidence_level: 95", "campaign.yaml:8 (decision.confidence_level): found 95; allowed: at most 0.999999"),
        ("margin_K: 1.0", "margin_K: 1\n  confidence_level: 0.5", "campaign.yaml:8 (decision.confidence_level): found 0.5; allowed: more than 0.5"),
        ("margin_K: 1.0", "margin_K: 1\n  mounts_planned: 2.5", "campaign.yaml:8 (decision.mounts_planned): found 2.5; allowed: a whole number"),
        ("title: Grease or pad", "title: 2026", "campaign.yaml:1 (title): found 2026; allowed: text (to mean these characters as text, put them in quotes)"),
        ("title: Grease or pad", "title: no", "campaign.yaml:1 (title): found false; allowed: text (to mean these characters as text, put them in quotes)"),
        ("baseline: grease-a", "baseline: grease", "campaign.yaml:2 (baseline): found 'grease'; allowed: one of the treatments: 'grease-a', 'pad-b'"),
        ("  pad-b: {}", "  no: {}", "campaign.yaml:5: found the key 'no', which is not text; allowed: keys that are text: put it in quotes"),
        ("  pad-b: {}", "  12: {}", "campaign.yaml:5: found the key '12', which is not text; allowed: keys that are text: put it in quotes; a decimal fraction has a point"),
        ("  pad-b: {}", '  "": {}', "campaign.yaml:5 (treatments.): found empty text; allowed: not empty"),
        ("  pad-b: {}", '  "pad b ": {}', "found 'pad b '; allowed: a name without spaces around it"),
        ("  pad-b: {}", '  "pad\\u0007b": {}', "allowed: text without control characters"),
        ("  pad-b: {}", '  "\\u202ebdap": {}', "allowed: text without control characters"),
        ("  pad-b: {}", "  pad-b: 3", "campaign.yaml:5 (treatments.pad-b): found 3; allowed: a table with the keys description, pack_price"),
        ("  pad-b: {}", "  pad-b: {pack_g: 4, use_g: 0.5, uses_per_pack: 3}", "campaign.yaml:5 (treatments.pad-b.uses_per_pack): found 3 uses, but pack_g / use_g = 8"),
        ("  pad-b: {}", "  pad-b: {electrically_conductive: 1}", "found 1; allowed: true or false"),
        ("  pad-b: {}", "  grease-a: {}", "campaign.yaml:5: found the key 'grease-a' a second time (first on line 4); allowed: each key once"),
        ("decision:", "cooling: fan\ndecision:", "campaign.yaml:6 (cooling): found the text 'fan'; allowed: passive or forced"),
        ("decision:", "cooling: {radiated_share: 2}\ndecision:", "campaign.yaml:6 (cooling.radiated_share): found 2; allowed: at most 1"),
        ("decision:", "cooling: {kind: forced, radiated_share: 0.1}\ndecision:", "campaign.yaml:6 (cooling): found a radiated share with fans"),
        ("decision:", "cooling: {share: 0.1}\ndecision:", "campaign.yaml:6 (cooling): found the key 'share'; allowed: passive or forced, or {kind"),
        ("decision:", "radiated_share: 0.1\ndecision:", "campaign.yaml:6 (radiated_share): found the unknown key"),
        ("  pad-b: {}", "  pad-b: {packs: [{price: 3, uses: 4}, {price: 9, g: 5}]}", "campaign.yaml:5 (treatments.pad-b.packs): found pack 2: g; allowed: g (with use_g"),
        ("  pad-b: {}", "  pad-b: {packs: [{price: -3, uses: 4}]}", "campaign.yaml:5 (treatments.pad-b.packs.0.price): found -3; allowed: at least 0"),
        ("decision:", "limits: {temperature_C: 20, room_C: 35}\ndecision:", "campaign.yaml:6 (limits.temperature_C): found 20 degC at a room of 35 degC; allowed: a limit above limits.room_C"),
        ("decision:", "ambient_constant: {value_C: 22, u_K: 1}\ndecision:", "campaign.yaml:6 (ambient_constant): found log.ambient and ambient_constant; allowed: exactly one of log.ambient, ambient_log, ambient_constant"),
        ("decision:", "prior: {mount_sd_K: 0.5, dof: 12, source: x}\ndecision:", "campaign.yaml:6 (prior): found mount_sd_K; allowed: exactly one of mount_sd_K_per_W, or mount_sd_K with at_power_W"),
        ("decision:", "prior: {mount_sd_K_per_W: 0.5, dof: 0.5, source: x}\ndecision:", "campaign.yaml:6 (prior.dof): found 0.5; allowed: at least 1"),
        ("decision:", 'prior: {mount_sd_K_per_W: 0.5, dof: 5, source: " "}\ndecision:', "campaign.yaml:6 (prior.source): found only spaces"),
        ("decision:", "checks: {gap: 3}\ndecision:", "campaign.yaml:6 (checks.gap): found the unknown key 'gap'; the nearest known key is gap_s"),
        ("[power]", "power", "campaign.yaml:11 (log.power.columns): found the text 'power'; allowed: a list such as"),
        ("[power]", "[]", "campaign.yaml:11 (log.power.columns): found nothing in it; allowed: not empty"),
        ("unit: W", "unit: watt", "campaign.yaml:11 (log.power.unit): found the text 'watt'; allowed: W, mW or kW"),
        ("log:", "log:\n  decimal: ','", "campaign.yaml:9 (log.decimal): found ',' as delimiter and as decimal sign"),
        ("log:", "log:\n  delimiter: ab", "campaign.yaml:9 (log.delimiter): found 'ab'; allowed: one character"),
        ("log:", "log:\n  encoding: rot13", "campaign.yaml:9 (log.encoding): found 'rot13'; allowed: the name of a text encoding"),
        ("log:", "log:\n  encoding: utf-99", "campaign.yaml:9 (log.encoding): found 'utf-99'; allowed: the name of a text encoding"),
        ("log:", "log:\n  missing: [-9999]", "campaign.yaml:9 (log.missing.0): found -9999; allowed: text (to mean these characters"),
        ('format: "%Y-%m-%d %H:%M:%S"', 'format: "%I:%M:%S"', "(log.time.format): found '%I:%M:%S': %I without %p"),
        ('format: "%Y-%m-%d %H:%M:%S"', 'format: "%Y-%m %H:%M:%S"', "(log.time.format): found '%Y-%m %H:%M:%S'; allowed: a whole date"),
        ('format: "%Y-%m-%d %H:%M:%S"', 'format: "%x %X"', "(log.time.format): found '%x %X' with %x, %X; allowed: the directives"),
        ('format: "%Y-%m-%d %H:%M:%S"', 'format: "%H:%M", unit: s', "(log.time): found format and unit; allowed: exactly one of format (clock times), unit (elapsed time)"),
        ('columns: [time], format: "%Y-%m-%d %H:%M:%S"', "columns: [d, t], unit: s", "(log.time.columns): found 2 columns; allowed: one column of elapsed time"),
    ],
)  # fmt: skip
def test_a_refusal_names_line_key_value_and_what_is_allowed(old, new, expected):
    assert old in MINIMAL
    found = problems_of(MINIMAL.replace(old, new, 1))
    assert any(expected in problem for problem in found), found


def test_every_problem_is_reported_at_once_in_the_order_of_the_lines():
    text = MINIMAL.replace("margin_K: 1.0", "margin_K: -1").replace("unit: W", "unit: V")
    found = problems_of(text.replace("baseline: grease-a", "baseline: x"))
    assert [problem.split(" ")[0] for problem in found] == ["campaign.yaml:2", "campaign.yaml:7", "campaign.yaml:11"]


def test_a_constant_room_brings_its_own_uncertainty():
    constant = MINIMAL.replace(
        "  ambient: {columns: [room], unit: degC}\n", "ambient_constant: {value_C: 22, u_K: 1.5}\n"
    )
    assert read(constant).ambient_u_K == 1.5
    found = problems_of(constant + "uncertainty: {ambient_u_K: 0.3}\n")
    assert found == [
        (
            "campaign.yaml:13 (uncertainty.ambient_u_K): found a second uncertainty of the room; "
            "allowed: ambient_constant.u_K alone when the room is constant"
        )
    ]


@pytest.mark.parametrize(
    ("log_time", "room_time", "fits"),
    [
        ('format: "%Y-%m-%d %H:%M"', 'format: "%d.%m.%Y %H:%M"', True),
        ("unit: s", "unit: min", True),
        ("unit: s", 'format: "%d.%m.%Y %H:%M"', False),
        ('format: "%Y-%m-%d %H:%M"', "unit: s", False),
        ('format: "%H:%M:%S"', 'format: "%d.%m.%Y %H:%M"', False),
    ],
)
def test_a_room_file_on_another_kind_of_clock_is_refused(log_time, room_time, fits):
    room = f"ambient_log: {{file: r.csv, time: {{columns: [t], {room_time}}}, columns: [r], unit: degC}}\n"
    text = MINIMAL.replace("  ambient: {columns: [room], unit: degC}\n", room)
    found = problems_of(text.replace('format: "%Y-%m-%d %H:%M:%S"', log_time, 1))
    assert found == [] if fits else "(ambient_log.time): found" in found[0]


def test_rules_hold_for_models_made_in_code_too():
    with pytest.raises(ValidationError, match="exactly one of mount_sd_K_per_W"):
        Prior(dof=3, source="x")
    with pytest.raises(ValidationError, match="exactly one of format"):
        TimeSettings(columns=["t"])
    assert Prior(mount_sd_K=0.9, at_power_W=90, dof=3, source="x").sd_K_per_W == pytest.approx(0.01)


def test_cost_per_mount_needs_price_and_amount():
    assert Treatment(pack_price=6.0, uses_per_pack=4).cost_per_mount == 1.5
    assert Treatment(pack_price=6.4, pack_g=4.0, use_g=0.5).cost_per_mount == pytest.approx(0.8)
    assert Treatment(pack_price=6.4, pack_g=4.0).cost_per_mount is None
    assert Treatment(uses_per_pack=4).cost_per_mount is None


@pytest.mark.parametrize(
    ("text", "value"),
    [("12:30", "12:30"), ("2026-11-25", "2026-11-25"), ("0777", "0777"), ("1_000", "1_000"), ("0x1F", "0x1F"), ("1e3", 1000.0),
     ("-7", -7), (".5", 0.5), ("", None), ("~", None), ("Yes", True), ("off", False), ("y", "y"), ("1.2.3", "1.2.3")],
)  # fmt: skip
def test_plain_words_mean_what_they_look_like(text, value):
    found = resolve(text)
    assert found == value
    assert type(found) is type(value)


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        (b"a: &x 1\nb: *x", "campaign.yaml:2: found the alias *x; allowed: no aliases"),
        (b"a: !!python/object:os.system x", "campaign.yaml:1: found the tag 'tag:yaml.org,2002:python/object:os.system'; allowed: no tags"),
        (b"\n" + b"[" * 30, "campaign.yaml:2: found more than 20 levels; allowed: at most 20 levels"),
        (b"a: {b: 1", "found what YAML cannot read (while parsing a flow mapping"),
        (b"a: 1\n\tb: 2", "allowed: valid YAML, indented with spaces, not tabs"),
        (b"title: paste: new or old", "allowed: valid YAML; in quotes where text holds a colon and a space"),
        (b"title: x\nbench: \xb0", "campaign.yaml:2: found the byte 0xb0; allowed: text in utf-8"),
        (b"a: 1\n---\nb: 2", "campaign.yaml:2: found a second document; allowed: one document"),
        (b"a: 1\nb: \x07", "campaign.yaml:2: found the character #x0007; allowed: printable text"),
        (b"", "campaign.yaml: found nothing; allowed: a table with the keys title, bench"),
        (b"- a\n- b", "campaign.yaml: found a list; allowed: a table with the keys title"),
        (b"#" * (MAX_YAML_BYTES + 1), f"campaign.yaml: found {MAX_YAML_BYTES + 1} bytes; allowed: at most {MAX_YAML_BYTES} bytes"),
        (b"a: [" + b"1," * (MAX_VALUES + 5) + b"]", f"found more than {MAX_VALUES} values"),
    ],
)  # fmt: skip
def test_yaml_is_plain_and_bounded(raw, expected):
    assert expected in problems_of(raw)[0]


def test_a_flood_of_problems_is_cut_and_counted():
    found = problems_of(MINIMAL + "".join(f"key{i}: 1\n" for i in range(500)))
    assert len(found) == MAX_PROBLEMS + 1
    assert found[-1] == f"campaign.yaml: found {500 - MAX_PROBLEMS} more problems; allowed: none"


def test_a_byte_order_mark_is_passed_over():
    assert problems_of(b"\xef\xbb\xbf" + MINIMAL.encode()) == []


SNIPPETS = [
    "margin_K: 1",
    "\n",
    ": ",
    "- ",
    "{",
    "}",
    "[",
    "]",
    '"',
    "\t",
    "*x",
    "&x",
    "!!int ",
    "? ",
    "| ",
    "\0",
    "no",
    "12:30",
    "\u2028",
    "title",
]


@settings(max_examples=150, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=300),
        st.tuples(st.integers(0, len(MINIMAL)), st.lists(st.sampled_from(SNIPPETS), max_size=6)),
    )
)
def test_any_bytes_give_settings_or_problems(case):
    if isinstance(case, tuple):
        place, pieces = case
        case = (MINIMAL[:place] + "".join(pieces) + MINIMAL[place:]).encode()
    problems_of(case)


def test_settings_are_tried_by_their_own_names_alone():
    """A slip would otherwise try nothing and say nothing."""
    tried, changed = apply_overrides(read(MINIMAL), margin_K=2.0, room_C=None)
    assert (tried.decision.margin_K, changed) == (2.0, {"margin_K": (1.0, 2.0)})

    with pytest.raises(
        InputError,
        match=r"parameter margin: found the unknown key 'margin'; the nearest known key is margin_K; allowed: the keys",
    ):
        apply_overrides(read(MINIMAL), margin=2.0)

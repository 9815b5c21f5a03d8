"""`coldfill gas`: fixed keys, caution first, one line for wrong input, answers within half a second."""

import json
import re
import subprocess
import sys
from types import SimpleNamespace

import pytest
from CoolProp.CoolProp import PropsSI
from typer.testing import CliRunner

from pipelines.cli import calculator_unit
from pipelines.cli.calculator import app
from schemas.advice import Source
from shared.filling.blending import GASES
from shared.gas.thermal import settled_pressure_bar, stop_pressure_bar

NOT_CHECKED = "Arithmetic only. No cylinder, valve, hose, relief or test date was checked."


def run(line, *more, **given):
    return CliRunner().invoke(app, [*line.split(), *more], **given)


def answer(line):
    result = run(line, "--json")
    assert result.exit_code == 0, result.output
    (only,) = result.stdout.strip().splitlines()
    found = json.loads(only)
    assert found["caution"]
    return found


def refusal(line):
    result = run(line)
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    (only,) = result.stderr.strip().splitlines()
    return only


def test_settle():
    found = answer("settle --pressure-bar 300 --from-c 45 --to-c 15")
    assert found["pressure_bar"] == pytest.approx(258.6, abs=0.2)
    assert found["ideal_pressure_bar"] == pytest.approx(271.6, abs=0.05)
    trimix = answer("settle --pressure-bar 232 --from-c 40 --to-c 15 --o2-pct 18 --he-pct 45")
    assert trimix["pressure_bar"] == pytest.approx(211.5, abs=0.2)
    assert answer("settle --pressure-bar 232 --from-c 20 --to-c -2")["pressure_bar"] < 232


def test_content():
    found = answer("content --capacity-l 12 --pressure-bar 232 --gas-c 15")
    assert found["usable_free_l"] == pytest.approx(2666.6, rel=0.0015)
    assert found["nominal_free_l"] == 2784
    assert found["gas_mass_kg"] == pytest.approx(3.239, rel=0.002)
    assert answer("content --capacity-l 12 --pressure-bar 232") == found


def test_stop_without_a_limit_says_that_nothing_was_checked():
    found = answer("stop --target-bar 232 --gas-c 40")
    assert found["stop_pressure_bar"] == pytest.approx(262.3, abs=0.3)
    assert (found["capped"], found["limit_checked"]) == (False, False)
    assert found["settles_to_bar"] == pytest.approx(232)
    assert NOT_CHECKED in found["caution"]


def test_stop_is_held_at_the_limit_and_says_what_that_costs():
    found = answer("stop --target-bar 232 --gas-c 40 --limit-bar 232")
    assert found["stop_pressure_bar"] == 232
    assert (found["capped"], found["limit_checked"]) == (True, True)
    assert found["settles_to_bar"] == pytest.approx(205.8, abs=0.2)
    text = run("stop --target-bar 232 --gas-c 40 --limit-bar 232").stdout
    assert "26.2 bar short" in text


def test_stop_settles_to_the_reference_temperature_asked_for():
    at_21 = answer("stop --target-bar 200 --gas-c 40 --reference-c 21")["stop_pressure_bar"]
    assert at_21 == pytest.approx(stop_pressure_bar(200, 40, 21), abs=1e-5)


def test_topup():
    found = answer("topup --have-bar 50 --have-o2-pct 20.95 --to-bar 200 --to-o2-pct 32 --gas-c 15")
    assert [step["gas"] for step in found["steps"]] == ["oxygen", "air"]
    assert found["steps"][0]["to_bar"] == pytest.approx(76.32, abs=0.2)
    assert found["ideal_steps"][0]["to_bar"] == pytest.approx(78.10, abs=0.01)
    assert (found["final_o2_pct"], found["final_he_pct"]) == pytest.approx((32, 0), abs=1e-4)
    assert found["needs_booster"] is False
    assert "drain_to_bar" not in found
    assert "oxygen-clean" in found["caution"]


def test_topup_of_trimix_in_another_order():
    line = "topup --have-bar 0 --have-o2-pct 20.95 --to-bar 200 --to-o2-pct 18 --to-he-pct 45"
    assert [s["gas"] for s in answer(line)["steps"]] == list(GASES)
    found = answer(line + " --order oxygen,helium,air")
    assert [s["gas"] for s in found["steps"]] == ["oxygen", "helium", "air"]
    assert (found["final_o2_pct"], found["final_he_pct"]) == pytest.approx((18, 45), abs=1e-4)


def test_topup_says_what_to_drain_to():
    found = answer("topup --have-bar 150 --have-o2-pct 36 --to-bar 200 --to-o2-pct 32")
    assert found["drain_to_bar"] == pytest.approx(142.5, abs=0.1)
    assert found["final_o2_pct"] == pytest.approx(32, abs=1e-4)


@pytest.mark.parametrize("bank, needs", [("--oxygen-bank-bar 70", True), ("--oxygen-bank-bar 80", False)])
def test_topup_says_when_a_bank_is_too_low(bank, needs):
    line = "topup --have-bar 50 --have-o2-pct 20.95 --to-bar 200 --to-o2-pct 32 "
    assert answer(line + bank)["needs_booster"] is needs


def test_cascade():
    found = answer("cascade --have-bar 50 --capacity-l 12 --to-bar 232 --bank big:50:250")
    assert found["final_bar"] == pytest.approx(205.5, abs=0.2)
    assert found["steps"][0]["bank"] == "big"
    assert found["banks"][0]["pressure_bar"] == pytest.approx(found["final_bar"])
    assert found["limit_checked"] is False
    several = answer(
        "cascade --have-bar 50 --capacity-l 12 --to-bar 232 --limit-bar 232 --bank b:50:300 --bank a:50:150"
    )
    assert [step["bank"] for step in several["steps"]] == ["a", "b"]
    assert several["final_bar"] == 232
    assert several["limit_checked"] is True


def reads(bar, from_c, to_c, fluid="Air"):
    """By CoolProp: for air the equation of Lemmon et al. 2000."""
    density = PropsSI("D", "P", (bar + 1.01325) * 1e5, "T", from_c + 273.15, fluid)
    return PropsSI("P", "D", density, "T", to_c + 273.15, fluid) / 1e5 - 1.01325


@pytest.mark.parametrize("rule_set, at_c", [("uk", 15.0), ("us", 21.0), ("de", 15.0)])
@pytest.mark.parametrize("gas_c, reference_c", [(-20, 0), (0, 0), (0, 15), (10, 5), (18, 18), (40, 15), (40, 0)])
def test_the_limit_holds_for_the_gauge_and_for_the_content_at_its_own_temperature(rule_set, at_c, gas_c, reference_c):
    line = f"stop --target-bar 232 --gas-c {gas_c} --reference-c {reference_c} --limit-bar 232 --rule-set {rule_set}"
    found = answer(line)
    assert found["stop_pressure_bar"] <= 232
    assert reads(found["stop_pressure_bar"], gas_c, at_c) <= 232 + 0.3
    assert found["settles_to_bar"] == pytest.approx(reads(found["stop_pressure_bar"], gas_c, reference_c), abs=0.3)
    assert found["limit_reference_c"] == at_c and not found["over_limit"]
    # and no lower than either limit asks for, or the target
    wanted = reads(232, reference_c, gas_c)
    most = min(232, reads(232, at_c, gas_c), wanted)
    assert found["stop_pressure_bar"] == pytest.approx(most, abs=0.3)
    assert found["capped"] is (wanted > most + 0.5)


def test_the_target_settles_at_the_rule_sets_temperature_where_none_is_given():
    us = answer("stop --target-bar 200 --gas-c 40 --rule-set us")
    assert us["stop_pressure_bar"] == pytest.approx(stop_pressure_bar(200, 40, 21), abs=1e-5)


def test_a_cold_target_without_a_limit_is_said_to_read_more_where_cylinders_are_rated():
    assert "rated at 15 °C" in answer("stop --target-bar 232 --gas-c 0 --reference-c 0")["caution"]
    assert "rated at" not in answer("stop --target-bar 232 --gas-c 0")["caution"]


CASCADE = "cascade --capacity-l 12 --bank a:50:300"


@pytest.mark.parametrize("have, gas_c, over", [(240, 15, True), (225, 0, True), (200, 0, False), (231, 15, False)])
def test_what_is_inside_over_the_limit_is_warned_of_and_nothing_added(have, gas_c, over):
    for line in (
        f"{CASCADE} --have-bar {have} --to-bar 232 --limit-bar 232 --gas-c {gas_c}",
        f"topup --have-bar {have} --have-o2-pct 20.95 --to-bar 232 --to-o2-pct 20.95 --limit-bar 232 --gas-c {gas_c}",
    ):
        found = answer(line)
        assert found["over_limit"] is over
        assert found["have_at_reference_bar"] == pytest.approx(reads(have, gas_c, 15), abs=0.3)
        assert ("WARNING" in found["caution"]) is over
        assert found["steps"] == [] or not over
        assert run(line).stdout.startswith("WARNING") is over


@pytest.mark.parametrize("gas_c", [-10, 0, 15, 30])
def test_a_cascade_and_a_top_up_end_within_the_limit_at_its_temperature(gas_c):
    filled = answer(f"{CASCADE} --have-bar 50 --to-bar 232 --limit-bar 232 --gas-c {gas_c}")
    mixed = answer(
        f"topup --have-bar 50 --have-o2-pct 20.95 --to-bar 232 --to-o2-pct 20.95 --limit-bar 232 --gas-c {gas_c}"
    )
    for final, got in ((filled["final_bar"], filled), (mixed["steps"][-1]["to_bar"], mixed)):
        assert final <= 232 and reads(final, gas_c, 15) <= 232 + 0.3
        assert got["capped"] is (gas_c < 15)
    assert filled["banks_above_limit"] == ["a"] and "close it at" in filled["caution"]


def test_a_top_up_above_its_limit_is_refused():
    line = "topup --have-bar 50 --have-o2-pct 20.95 --to-bar 300 --to-o2-pct 32 --limit-bar 232"
    assert refusal(line).startswith("--to-bar:")
    assert NOT_CHECKED not in answer(line.replace("300", "232"))["caution"]


@pytest.mark.parametrize("bar, psi", [(232, 3365), (207, 3000)])
def test_a_rating_in_psi_is_no_higher_than_the_same_in_bar(bar, psi):
    assert answer(f"stop --target-psi {psi} --limit-bar {bar}")["capped"] is False
    assert answer(f"stop --target-bar {bar} --limit-psi {psi}")["capped"] is False
    assert refusal(f"stop --target-bar {bar + 2} --limit-psi {psi}").startswith("--target-bar:")


def options_of(name):
    """Names of a command's options, as its help prints them."""
    return set(re.findall(r"--[a-z0-9-]+", run(f"{name} --help", env={"COLUMNS": "400"}).stdout))


@pytest.mark.parametrize("name", ["settle", "content", "stop", "topup", "cascade"])
def test_every_pressure_may_be_given_in_psi_and_every_temperature_in_degrees_fahrenheit(name):
    known = options_of(name)
    assert {o for o in known if o.endswith("-bar")}
    for option in known:
        for ours, twin in (("-bar", "-psi"), ("-c", "-f")):
            if option.endswith(ours):
                assert option.removesuffix(ours) + twin in known, option


def test_psi_and_fahrenheit_are_converted_exactly_and_shown_beside_ours():
    """3000 psi is 3000 × 6894.757 Pa; 104 °F is 40 °C."""
    found = answer("settle --pressure-psi 3000 --from-f 104 --to-f 59")
    assert found["pressure_bar"] == pytest.approx(settled_pressure_bar(3000 * 0.06894757293, 40, 15), abs=1e-4)
    assert found["pressure_psi"] == pytest.approx(found["pressure_bar"] / 0.06894757293, abs=1e-3)
    text = run("settle --pressure-psi 3000 --from-f 104 --to-f 59").stdout
    assert "psi)" in text and "°F)" in text
    assert "psi" not in run("settle --pressure-bar 200 --from-c 40 --to-c 15").stdout
    banks = answer("cascade --have-bar 50 --capacity-l 12 --to-bar 200 --bank a:50:3600psi")
    assert banks["banks"][0]["pressure_psi"] == pytest.approx(banks["banks"][0]["pressure_bar"] / 0.0689476, rel=1e-5)


@pytest.mark.parametrize("option", ["--o2-pct", "--he-pct", "--ar-pct"])
@pytest.mark.parametrize("share, meant", [("0.32", "32"), ("0.2095", "20.95"), ("0.999", "99.9")])
def test_a_share_of_one_is_asked_about(option, share, meant):
    said = refusal(f"settle --pressure-bar 200 --from-c 40 --to-c 15 {option} {share}")
    assert said.startswith(option + ":") and f"did you mean {meant}?" in said


def test_a_share_of_one_is_asked_about_in_a_recipe_too():
    line = "topup --have-bar 50 --have-o2-pct 0.32 --to-bar 200 --to-o2-pct 36"
    assert refusal(line) == "--have-o2-pct: 0.32 % looks like a share of one: did you mean 32?"
    assert refusal(line.replace("0.32", "32").replace("36", "0.36")).startswith("--to-o2-pct:")


def test_argon_for_a_dry_suit():
    """Argon at 15 °C and 200 bar by CoolProp's own equation for it (Tegeler et al. 1999)."""
    found = answer("content --capacity-l 2 --pressure-bar 200 --ar-pct 100 --o2-pct 0")
    density = PropsSI("D", "P", 201.01325e5, "T", 288.15, "Argon")
    assert found["gas_mass_kg"] == pytest.approx(2 * density / 1000, rel=0.003)
    assert "not breathable" in found["caution"]
    cooled = answer("settle --pressure-bar 200 --from-c 40 --to-c 5 --ar-pct 100 --o2-pct 0")
    assert cooled["pressure_bar"] == pytest.approx(reads(200, 40, 5, "Argon"), abs=0.5)
    assert refusal("content --capacity-l 2 --pressure-bar 200 --ar-pct 100").startswith("--ar-pct:")


CASES = [
    "settle --pressure-bar 300 --from-c 45 --to-c 15",
    "content --capacity-l 12 --pressure-bar 232",
    "stop --target-bar 232 --gas-c 40",
    "topup --have-bar 50 --have-o2-pct 20.95 --to-bar 200 --to-o2-pct 32",
    "cascade --have-bar 50 --capacity-l 12 --to-bar 232 --bank big:50:250",
]


@pytest.mark.parametrize("line", CASES)
def test_in_plain_text_the_caution_comes_before_the_number(line):
    first, *rest = run(line).stdout.splitlines()
    assert first == answer(line)["caution"]
    assert any(character.isdigit() for character in "".join(rest))


@pytest.mark.parametrize(
    "line, option",
    [
        ("settle --pressure-bar nan --from-c 45 --to-c 15", "--pressure-bar"),
        ("settle --pressure-bar inf --from-c 45 --to-c 15", "--pressure-bar"),
        ("settle --pressure-bar -1 --from-c 45 --to-c 15", "--pressure-bar"),
        ("settle --pressure-bar 3000 --from-c 45 --to-c 15", "--pressure-bar"),
        ("settle --pressure-bar 2,325 --from-c 45 --to-c 15", "--pressure-bar"),
        ("settle --pressure-bar 300 --from-c 200 --to-c 15", "--from-c"),
        ("settle --pressure-bar 300 --from-c 45 --to-c -80", "--to-c"),
        ("settle --pressure-bar 480 --from-c -20 --to-c 150", "--pressure-bar"),
        ("settle --pressure-bar 300 --from-c 45", "--to-c"),
        ("settle --pressure-bar 300 --from-c 45 --to-c 15 --o2-pct 101", "--o2-pct"),
        ("settle --pressure-bar 300 --from-c 45 --to-c 15 --o2-pct 60 --he-pct 50", "--he-pct"),
        ("settle --pressure-bar 300 --from-c 45 --to-c 15 --mix 32", "--mix"),
        ("settle --pressure-bar", "--pressure-bar"),
        ("content --capacity-l 0 --pressure-bar 232", "--capacity-l"),
        ("content --capacity-l -12 --pressure-bar 232", "--capacity-l"),
        ("content --capacity-l twelve --pressure-bar 232", "--capacity-l"),
        ("stop --target-bar 300 --gas-c 30 --limit-bar 232", "--target-bar"),
        ("stop --target-bar 232 --gas-c 66", "--gas-c"),
        ("settle --pressure-psi 3,365 --from-c 45 --to-c 15", "--pressure-psi"),
        ("settle --pressure-psi 9000 --from-c 45 --to-c 15", "--pressure-psi"),
        ("settle --pressure-psi 3000 --pressure-bar 200 --from-c 45 --to-c 15", "--pressure-psi"),
        ("settle --pressure-bar 200 --from-f 500 --to-c 15", "--from-f"),
        ("settle --pressure-psi", "--pressure-psi"),
        ("stop --target-bar 200 --rule-set mars", "--rule-set"),
        ("stop --target-bar 232 --gas-c 40 --reference-c -30", "--reference-c"),
        ("topup --have-bar 50 --to-bar 200 --to-o2-pct 32", "--have-o2-pct"),
        ("topup --have-bar 50 --have-o2-pct 21 --to-bar 200 --to-o2-pct 10", "--to-o2-pct"),
        ("topup --have-bar 50 --have-o2-pct 21 --to-bar 200 --to-o2-pct 32 --to-he-pct 70", "--to-he-pct"),
        ("topup --have-bar 50 --have-o2-pct 21 --to-bar 200 --to-o2-pct 32 --order air,oxygen", "--order"),
        ("cascade --have-bar 50 --capacity-l 12 --to-bar 232", "--bank"),
        ("cascade --have-bar 50 --capacity-l 12 --to-bar 232 --bank big:50", "--bank"),
        ("cascade --have-bar 50 --capacity-l 12 --to-bar 232 --bank big:0:250", "--bank"),
        ("cascade --have-bar 50 --capacity-l 12 --to-bar 232 --bank a:50:250 --bank a:50:200", "--bank"),
        ("cascade --have-bar 50 --capacity-l 12 --to-bar 300 --limit-bar 232 --bank a:50:300", "--to-bar"),
    ],
)
def test_wrong_input_ends_with_one_line_that_names_the_option(line, option):
    assert refusal(line).startswith(option + ":")


def test_a_decimal_comma_is_read_and_one_that_could_part_thousands_is_not():
    with_point = answer("settle --pressure-bar 300.5 --from-c 45 --to-c 15")
    assert answer("settle --pressure-bar 300,5 --from-c 45 --to-c 15") == with_point
    assert answer("settle --pressure-psi 3000,25 --from-c 45 --to-c 15")["pressure_bar"] < 206.9
    for typed in ("1,500", "1,5,2", "3.000,5"):
        assert "thousands take no mark" in refusal(f"settle --pressure-bar {typed} --from-c 45 --to-c 15")


def test_hot_gas_is_to_be_left_to_cool():
    assert "stop and let it cool" in refusal("stop --target-bar 232 --gas-c 70")


def test_a_word_that_is_no_command():
    assert "settle" in refusal("fill")


def test_pressures_beyond_the_normal_range_and_gases_unfit_to_breathe_are_said_to_be():
    assert "Extended range" in answer("content --capacity-l 12 --pressure-bar 400")["caution"]
    assert "not breathable" in answer("content --capacity-l 12 --pressure-bar 200 --o2-pct 2")["caution"]
    assert (
        "not for breathing at the surface"
        in answer("content --capacity-l 12 --pressure-bar 200 --o2-pct 10 --he-pct 70")["caution"]
    )


def test_the_calculator_and_the_library_say_the_same():
    found = answer("settle --pressure-bar 280 --from-c 50 --to-c 5 --o2-pct 32")
    assert found["pressure_bar"] == pytest.approx(settled_pressure_bar(280, 50, 5, 32), abs=1e-5)


def test_a_whole_answer_loads_no_heavy_library():
    code = (
        "import sys\nfrom pipelines.cli.calculator import app\n"
        "try: app(['settle', '--pressure-bar', '300', '--from-c', '45', '--to-c', '15', '--json'])\n"
        "except SystemExit as end: assert not end.code\n"
        "sys.exit(', '.join({'scipy', 'pandas', 'duckdb', 'prefect'} & set(sys.modules)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")
    assert json.loads(done.stdout)["pressure_bar"] == pytest.approx(258.6, abs=0.2)


@pytest.mark.parametrize(
    ("bank", "bank_o2", "typed", "o2"),
    [
        (True, 32.0, 20.95, 32.0),
        (True, 32.0, 40.0, 40.0),
        (True, float("nan"), 20.95, 20.95),
        (False, 20.95, 20.95, 20.95),
    ],
)
def test_a_bank_gives_what_is_in_it_unless_a_mix_is_asked_for(bank, bank_o2, typed, o2):
    source = Source("s", "bank" if bank else "compressor", o2_pct=bank_o2)
    unit = {"permitted_bar": 232.0, "water_capacity_l": 12.0}
    told = SimpleNamespace(
        start_bar=50.0, ambient_c=18.0, o2_pct=typed, he_pct=0.0, target_bar=None, minutes=6.0, method="banked_mix"
    )
    if not bank:
        told.method = "air"
    assert calculator_unit._asked(told, SimpleNamespace(unit=unit), source).o2_pct == o2


def test_a_unit_whose_content_is_held_is_said_to_be():
    held = SimpleNamespace(unit_id="S10-4", held=[{"fill_id": "f"}])
    assert calculator_unit._held(held) == ["What is in S10-4 is held: do not hand it over."]
    assert calculator_unit._held(SimpleNamespace(unit_id="S10-4", held=[])) == []


@pytest.mark.parametrize(("stop", "said"), [(236.9, "236"), (236.0, "236"), (199.99, "199")])
def test_a_stop_is_said_in_whole_bar_and_never_above_what_is_advised(stop, said):
    advice = SimpleNamespace(
        notes=(), nothing_to_add="", stop_pressure_bar=stop, settles_to_bar=float("nan"), limited_by="", short_bar=0.0,
        gas_c=40.0, slower_gain_bar=0.0, top_up_gain_bar=0.0,
    )  # fmt: skip
    asked, clearance = SimpleNamespace(source=SimpleNamespace(source_id="comp")), SimpleNamespace(unit_id="T", held=[])
    line = calculator_unit._says(advice, {}, 60, asked, clearance)[0]
    assert f"stop at {said}" in line.replace("\u00a0", " ")

"""vinemap.toml: read, and every fault named with its line."""

from __future__ import annotations

import contextlib
import datetime as dt
import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vinemap.errors import Findings, InputError
from vinemap.rules import Rules
from vinemap.settings import Settings, empty_settings, load_settings, read_settings


def faults(folder: Path, text: str | bytes) -> list[str]:
    path = folder / "vinemap.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(InputError) as caught:
        read_settings(folder)
    return [str(problem) for problem in caught.value.problems]


def test_defaults_without_a_file(tmp_path: Path) -> None:
    """A folder without vinemap.toml has the default settings."""
    assert read_settings(tmp_path) == Settings()


def test_values_are_read(tmp_path: Path) -> None:
    """Text, numbers, dates and nested tables arrive, a byte-order mark notwithstanding."""
    text = 'name = "Hof"\nevent_date = 2025-01-22\ngps_tolerance_m = 5\n[columns.blocks]\nvariety = "Sorte"\n'
    (tmp_path / "vinemap.toml").write_bytes(b"\xef\xbb\xbf" + text.encode())
    settings = read_settings(tmp_path)
    assert settings.name == "Hof"
    assert settings.event_date == dt.date(2025, 1, 22)
    assert settings.gps_tolerance_m == 5.0
    assert settings.columns.blocks == {"variety": "Sorte"}


@pytest.mark.parametrize(
    ("text", "start", "hint"),
    [
        ("nmae = 'x'", "vinemap.toml:1: nmae: there is no such key", "did you mean name?"),
        (
            "\n[survival]\nspur_nodes_ketp = 4",
            "vinemap.toml:3: survival.spur_nodes_ketp:",
            "did you mean survival.spur_nodes_kept?",
        ),
        (
            "[survival]\nspur_reach = 4",
            "vinemap.toml:2: survival.spur_reach:",
            "did you mean survival.spur_nodes_kept?",
        ),
        ("threshold = 0.4", "vinemap.toml:1: threshold:", "did you mean surface.threshold?"),
        ("[surfaces]\ncell_m = 3", "vinemap.toml:1: surfaces:", "did you mean surface?"),
        ("surface.cell_n = 3", "vinemap.toml:1: surface.cell_n:", "did you mean surface.cell_m?"),
    ],
)
def test_unknown_keys_name_the_nearest(tmp_path: Path, text: str, start: str, hint: str) -> None:
    """An unknown key is named with its line and the nearest known one, in its own section by choice."""
    (fault,) = faults(tmp_path, text)
    assert fault.startswith(start)
    assert fault.endswith(hint)


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ('name = "Hof\\u001b]0;x\\u0007"', ":1: name:"),
        ('[work]\ncurrency = "\\u0001$"', ":2: work.currency:"),
        ('[work.materials]\nretrain = { "sta\\u0000kes" = 1 }', "work.materials.retrain.sta\x00kes:"),
        ('[surface.hardiness]\n"Ries\\u009bling" = 1.0', "surface.hardiness.Ries\x9bling:"),
        ('[page]\nonline_credit = """one\ntwo"""', ":2: page.online_credit:"),
    ],
)
def test_characters_that_cannot_be_shown_are_refused(tmp_path: Path, text: str, key: str) -> None:
    """A control character in a value or in a key, at whatever depth: the key is named, and what to do."""
    (fault,) = faults(tmp_path, text)
    assert fault.startswith("vinemap.toml:")
    assert key in fault
    assert fault.endswith("holds characters that cannot be shown; type it again, on one line")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('gps_tolerance_m = "5"', '"5" cannot be used: should be a valid number'),
        ("[survival]\nspur_nodes_kept = 2.5", "2.5 cannot be used"),
        ("[survival]\nspur_nodes_kept = 0", "0 cannot be used: should be greater than 0"),
        ("[survival]\nspur_nodes_kept = true", "true cannot be used: should be a valid integer"),
        ("[surface]\ncell_m = inf", "cannot be used: should be a finite number"),
        ("[surface]\ncell_m = 1e9", "1000000000.0 cannot be used: should be less than or equal to 100"),
        ("[surface]\nmax_cells = 1_000_000_000_000", "cannot be used: should be less than or equal to 20000000"),
        ("[surface]\nseed = 99999999999999999999", "cannot be used: should be less than or equal to 92233"),
        ("[surface]\nhardiness = { Riesling = 1e300 }", "cannot be used: should be less than or equal to 20"),
        ("[survival]\ncane_nodes_kept = 99999999999999999999", "should be less than or equal to 1000"),
        ("[work.prices]\nhour = 1e308", "cannot be used: should be less than or equal to 1000000000"),
        ("[actions.rules.recovery]\nreplant_years = 1e300", "cannot be used: should be less than or equal to 100"),
        ('units = "imperial"', "should be 'metric' or 'us'"),
        ("event_date = 20250122", "20250122 cannot be used"),
        ("files = 3", "files: 3 cannot be used"),
        ("[columns.blocks]\nvariety = 3", "columns.blocks.variety: 3 cannot be used: should be a valid string"),
    ],
)
def test_wrong_types_are_named(tmp_path: Path, text: str, words: str) -> None:
    """A value of the wrong type or out of range is quoted, and its default offered."""
    (fault,) = faults(tmp_path, text)
    assert words in fault


def test_every_number_has_both_limits() -> None:
    """No setting and no rule takes a number that memory or arithmetic cannot: each states its least and its most."""
    open_ended = []
    for model in (Settings, Rules):
        schema = model.model_json_schema()
        places = [("", schema), *schema["$defs"].items()]
        while places:
            name, place = places.pop()
            if place.get("type") in ("number", "integer"):
                limits = sum(key.endswith(("imum", "Minimum", "Maximum")) for key in place)
                if limits != 2 and "enum" not in place and "const" not in place:
                    open_ended.append(name)
            inner = [*place.get("properties", {}).items(), *((name, part) for part in place.get("anyOf", ()))]
            inner += [
                (name, place[key]) for key in ("items", "additionalProperties") if isinstance(place.get(key), dict)
            ]
            places += inner
    assert open_ended == []


@pytest.mark.parametrize(
    "text",
    [
        "a" + ".a" * 45_000 + " = 1",
        "[" + ".".join(["a"] * 30) + "]",
        "a = " + "{a = " * 60 + "1" + "}" * 60,
        "a = " + "[" * 60 + "]" * 60,
        "a = " + "[" * 50_000,
    ],
)
def test_settings_within_settings(tmp_path: Path, text: str) -> None:
    """Keys and lists nested beyond all sense are named, and not followed."""
    (fault,) = faults(tmp_path, text)
    assert fault.startswith("vinemap.toml: is not valid TOML: ")


def test_faults_without_end(tmp_path: Path) -> None:
    """A hundred faults are named, and that there are more."""
    named = faults(tmp_path, "".join(f"k{number} = 1\n" for number in range(150)))
    assert len(named) == 101
    assert named[-1] == "vinemap.toml: has more than 100 faults; mend these first"


def test_syntax_error_names_the_line(tmp_path: Path) -> None:
    """Text that is no TOML is named with its line."""
    (fault,) = faults(tmp_path, "name = 'x'\nunits = metric\n")
    assert fault.startswith("vinemap.toml:2: is not valid TOML")


@pytest.mark.parametrize("data", [b"name = '\xff'", b"[" * 5000, b"a = " + b"9" * 5000, b"a = [\n", b"a = 1\na = 2"])
def test_unreadable_text_is_a_problem(tmp_path: Path, data: bytes) -> None:
    """Wrong encodings, endless nesting and endless numbers are problems, not tracebacks."""
    assert len(faults(tmp_path, data)) == 1


def test_a_folder_of_that_name_is_a_problem(tmp_path: Path) -> None:
    """vinemap.toml that cannot be opened is named."""
    (tmp_path / "vinemap.toml").mkdir()
    with pytest.raises(InputError, match=r"vinemap\.toml: is a folder"):
        read_settings(tmp_path)


def test_all_faults_in_one_run_and_the_rest_kept(tmp_path: Path) -> None:
    """Every fault is named at once, and what is sound still counts."""
    text = 'name = "Hof"\nunits = "imperial"\nnonsense = 1\n[surface]\ncell_m = -1\nseed = 4\n[survival]\nkept = 3\n'
    (tmp_path / "vinemap.toml").write_text(text)
    findings = Findings()
    settings = load_settings(tmp_path, findings)
    assert {(problem.row, problem.column) for problem in findings.problems} == {
        (2, "units"),
        (3, "nonsense"),
        (5, "surface.cell_m"),
        (8, "survival.kept"),
    }
    assert (settings.name, settings.surface.seed, settings.surface.cell_m) == ("Hof", 4, 3.0)


@given(st.one_of(st.binary(max_size=200), st.text(max_size=200).map(lambda text: text.encode("utf-8", "replace"))))
def test_any_bytes_give_settings_or_problems(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    """Random bytes never give a traceback."""
    folder = tmp_path_factory.mktemp("settings")
    (folder / "vinemap.toml").write_bytes(data)
    with contextlib.suppress(InputError):
        assert isinstance(read_settings(folder), Settings)


def test_capitals_of_the_name_do_not_matter(tmp_path: Path) -> None:
    """Vinemap.toml is read as vinemap.toml is; of two that differ in capitals alone neither is chosen."""
    (tmp_path / "Vinemap.toml").write_text('name = "Hof"\n')
    assert read_settings(tmp_path).name == "Hof"
    (tmp_path / "VINEMAP.TOML").write_text('name = "Gut"\n')
    if len(list(tmp_path.iterdir())) == 2:
        with pytest.raises(InputError) as caught:
            read_settings(tmp_path)
        assert [problem.file for problem in caught.value.problems] == ["VINEMAP.TOML", "Vinemap.toml"]


def test_an_ending_behind_the_name_is_named(tmp_path: Path) -> None:
    """An editor's vinemap.toml.txt is refused, for it would be passed over; beside vinemap.toml it is let be."""
    (tmp_path / "vinemap.toml.txt").write_text('name = "Hof"\n')
    with pytest.raises(InputError) as caught:
        read_settings(tmp_path)
    assert str(caught.value) == (
        "vinemap.toml.txt: is not read, for the settings are vinemap.toml alone; rename it to "
        "vinemap.toml, or take it out"
    )
    (tmp_path / "vinemap.toml").write_text('name = "Gut"\n')
    assert read_settings(tmp_path).name == "Gut"


def test_a_number_that_is_missing_is_named(tmp_path: Path) -> None:
    """What is not there cannot be taken out: the reading ends all the same, and says what the table wants."""
    (tmp_path / "vinemap.toml").write_text('[actions.rules.varieties.known."Our Seedling"]\nalso = ["Row 7"]\n')
    with pytest.raises(InputError, match=r"Our Seedling.group: .*field required"):
        read_settings(tmp_path)


def test_empty_settings_are_the_defaults(tmp_path: Path) -> None:
    """The template sets nothing; with every # taken away it is TOML that sets the known keys to their defaults."""
    text = empty_settings()
    (tmp_path / "vinemap.toml").write_text(text, encoding="utf-8")
    assert read_settings(tmp_path) == Settings()
    freed = tomllib.loads("\n".join(re.sub(r"^# (?=\w+ = )", "", line) for line in text.splitlines()))
    known = Settings().model_dump(mode="json", exclude_none=True)
    assert freed["surface"] == known["surface"]
    assert freed["units"] == "metric"
    assert set(freed) == set(Settings().model_dump(by_alias=True)) - {"import"}

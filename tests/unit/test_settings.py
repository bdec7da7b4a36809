"""The settings file: what it says, what stands above it, and what is refused."""

from datetime import date

import pytest

from analytics.errors import SettingsError
from analytics.reports.settings import read_settings

GOOD = """
clinics = "clinics.csv"

[programme]
name = "Demo"
cut_off = 2025-12-31
started_on = 2020-01-01
language = "en"
identity_key = "a secret"

[[source]]
path = "exports/a.csv"
map = "maps/a.toml"

[[source]]
path = "exports/b.xlsx"
map = "maps/b.toml"

[protocol]
casts_many = 9

[policy]
audience = "public"
"""


@pytest.fixture
def write(tmp_path):
    def write_text(text):
        file = tmp_path / "programme.toml"
        file.write_text(text, encoding="utf-8")
        return file

    return write_text


def test_paths_are_relative_to_the_settings_file(write, tmp_path):
    settings = read_settings(write(GOOD))
    assert settings.name == "Demo"
    assert settings.cut_off == date(2025, 12, 31)
    assert [s.path for s in settings.sources] == [
        tmp_path / "exports" / "a.csv",
        tmp_path / "exports" / "b.xlsx",
    ]
    assert settings.sources[1].source_map == tmp_path / "maps" / "b.toml"
    assert settings.clinics == tmp_path / "clinics.csv"
    assert settings.protocol.casts_many == 9
    assert settings.audience == "public"


def test_what_is_given_stands_above_the_file_and_empty_text_does_not(write):
    file = write(GOOD)
    above = read_settings(file, cut_off="2025-06-30", audience="internal")
    assert (above.cut_off, above.audience) == (date(2025, 6, 30), "internal")
    left = read_settings(file, cut_off="", audience="", language="")
    assert (left.cut_off, left.audience, left.language) == (date(2025, 12, 31), "public", "en")


def test_a_report_as_of_an_earlier_day_keeps_the_day_of_the_exports(write):
    file = write(GOOD)
    assert read_settings(file).extracted_on == date(2025, 12, 31)
    assert read_settings(file, cut_off="2025-06-30").extracted_on == date(2025, 12, 31)
    assert read_settings(file, cut_off="2026-06-30").extracted_on == date(2026, 6, 30)


def test_the_environment_wins_over_the_key_in_the_file(write, monkeypatch):
    key = 'identity_key = "a secret"'
    file = write(GOOD.replace(key, key + '\nidentity_key_env = "DEMO_KEY"'))
    assert read_settings(file).identity_key == "a secret"
    monkeypatch.setenv("DEMO_KEY", "from outside")
    assert read_settings(file).identity_key == "from outside"


def test_the_key_does_not_show_when_settings_are_printed(write):
    assert "a secret" not in repr(read_settings(write(GOOD)))


#: What is changed in the good file, into what, and what the message must say.
BAD = {
    "unknown key": ("name =", "nmae =", ("'nmae'", "[programme]", "write 'name'?")),
    "unknown key of a source": ("map =", "mapp =", ("'mapp'", "[[source]]", "write 'map'?")),
    "unknown section": ("[policy]", "[polices]", ("'polices'", "top of the file")),
    "unknown window": ("casts_many", "casts_manny", ("'casts_manny'", "[protocol]")),
    "unknown audience": ('"public"', '"publik"', ("'publik'", "internal, public", "'public'?")),
    "unknown language": ('"en"', '"xx"', ("'xx'", "en")),
    "missing name": ('name = "Demo"', "", ("'name' is missing", "[programme]")),
    "impossible day": ("2025-12-31", '"2025-02-30"', ("2025-02-30", "cut_off")),
    "cut-off before start": ("2025-12-31", "2019-12-31", ("2019-12-31", "2020-01-01")),
    "no key": ('identity_key = "a secret"', "", ("no key", "identity_key_env")),
    "empty variable": (
        'identity_key = "a secret"',
        'identity_key_env = "NOT_SET_ANYWHERE"',
        ("'NOT_SET_ANYWHERE' is empty",),
    ),
    "not TOML": ("2025-12-31", "31.12.2025", ("not TOML", "line 6")),
    "no source": (GOOD[GOOD.index("[[source]]") :], "", ("no export is named", "[[source]]")),
}


@pytest.mark.parametrize("case", BAD)
def test_a_bad_file_is_refused_with_what_where_and_what_to_do(write, case):
    before, after, said = BAD[case]
    assert before in GOOD
    with pytest.raises(SettingsError) as caught:
        read_settings(write(GOOD.replace(before, after)))
    message = str(caught.value)
    assert [words for words in said if words not in message] == []
    assert caught.value.todo


def test_a_section_given_as_a_value_is_refused(write):
    with pytest.raises(SettingsError, match="not a section"):
        read_settings(write('programme = "Demo"'))


def test_a_missing_file_is_refused(tmp_path):
    with pytest.raises(SettingsError, match=r"cannot be read[^$]*nowhere\.toml"):
        read_settings(tmp_path / "nowhere.toml")


def test_a_bad_day_from_the_command_line_is_refused(write):
    with pytest.raises(SettingsError, match="31-12-2025"):
        read_settings(write(GOOD), cut_off="31-12-2025")


SPENT = '\n[[spending]]\nperiod = "2025Q3"\ncurrency = "USD"\namount = 24000\n'


def test_spending_published_numbers_and_own_indicators_are_read(write):
    own = '\n[indicator.mine]\ntitle = "Mine"\nnumerator = "n_casts > 8"\n'
    published = "\n[published]\nbirth_prevalence = [1.31, 0.86, 1.77]\n"
    read = read_settings(write(GOOD + SPENT + published + own))
    (line,) = read.spending
    assert (line.first_on, line.last_on) == (date(2025, 7, 1), date(2025, 9, 30))
    assert (line.currency, line.amount) == ("USD", 24000.0)
    assert read.burden.birth_prevalence.value == 1.31
    assert read.own_indicators["mine"]["numerator"] == "n_casts > 8"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"2025Q3"', '"2025-07"', "2025Q3"),
        ('"USD"', '"dollars"', "ISO 4217"),
        ("24000", '"24,000"', "a number above 0"),
        ("24000", "0", "a number above 0"),
        ("amount", "amont", "amount"),
        ("[[spending]]", "[spending]", "double brackets"),
    ],
)
def test_wrong_spending_is_refused_with_what_is_allowed(write, old, new, said):
    with pytest.raises(SettingsError, match=said.replace("[", "\\[")):
        read_settings(write(GOOD + SPENT.replace(old, new)))


def test_spending_stated_twice_is_refused(write):
    with pytest.raises(SettingsError, match="twice"):
        read_settings(write(GOOD + SPENT + SPENT))

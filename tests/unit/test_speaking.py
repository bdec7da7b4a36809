"""Errors and help are told in the language that the person asked for."""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib

import pytest
import typer

from analytics import cli
from analytics.definitions.code_words import in_words_of
from analytics.definitions.labels import labels
from analytics.errors import ExportFileError, NotEstimableError, SettingsError
from analytics.reports.speaking import find_language, speak, tell_draft, tell_error

SETTINGS = '[programme]\nname = "A"\nlanguage = "pt"\n'


def test_the_option_decides_then_the_settings_then_the_locale(tmp_path):
    file = tmp_path / "programme.toml"
    file.write_text(SETTINGS, encoding="utf-8")
    french = {"LANG": "fr_FR.UTF-8"}
    assert find_language(["report", str(file), "--language", "es"], french) == "es"
    assert find_language(["report", str(file), "--language=es"], french) == "es"
    assert find_language(["report", str(file)], french) == "pt"
    assert find_language(["define"], french) == "fr"
    assert find_language(["define"], {"LC_ALL": "es_PE", "LANG": "fr_FR"}) == "es"


@pytest.mark.parametrize("wish", ["de", "xx", ""])
def test_a_language_without_labels_is_passed_over(wish):
    assert find_language(["report", "gone.toml", "--language", wish], {"LANG": "C"}) == "en"


def test_an_unknown_language_is_refused_and_the_known_ones_are_named():
    with pytest.raises(SettingsError) as caught:
        labels("de")
    assert "en, es, fr, pt" in str(caught.value)
    told = tell_error(str(caught.value), "es")
    assert told.splitlines() == [
        "no hay textos para el idioma 'de'",
        "  permitido: en, es, fr, pt",
        "  qué hacer: elegir uno de estos",
    ]


def test_what_the_code_put_in_stays_and_whole_texts_in_it_are_translated():
    said = in_words_of("fr", "the export 'a is b.csv' cannot be opened (no key)")
    assert said == "l\u2019export 'a is b.csv' ne peut pas être ouvert (no key)"
    assert in_words_of("fr", "a new text 'a is b' of nobody") == "a new text 'a is b' of nobody"
    assert in_words_of("fr", "no text of ours") == "no text of ours"
    assert in_words_of("en", "write it") == "write it"


def test_the_text_that_says_most_is_chosen():
    said = in_words_of("pt", "'cut_off' is 7, which is not a day")
    assert said == "'cut_off' é 7, que não é um dia"


def test_what_cannot_be_estimated_says_why():
    told = tell_error(str(NotEstimableError("no_rows", n_rows=0)), "fr")
    assert told == "non estimable\u00a0: il n\u2019y a pas de pied (n_rows=0)"


def test_a_message_is_told_whole_with_its_place_and_what_was_meant():
    error = ExportFileError(
        "the same heading stands over several columns: Date, Pirani",
        where="a.xlsx, sheet 'Visites', line 3, map 'sud'",
        allowed="each heading once; or number_doubled = true under [file] in the source map, which "
        "calls the next one 'Date (2)'",
        todo="did you mean 'Date' or 'Data'? correct the heading in the source map",
    )
    assert tell_error(str(error), "es").splitlines() == [
        "el mismo encabezado está sobre varias columnas: Date, Pirani",
        "  dónde: a.xlsx, hoja 'Visites', línea 3, mapa 'sud'",
        "  permitido: cada encabezado una vez; o number_doubled = true en [file] del mapa de "
        "origen, que llama al siguiente 'Date (2)'",
        "  qué hacer: ¿quiso decir 'Date' o 'Data'? corregir el encabezado en el mapa de origen",
    ]


def test_data_that_reads_like_a_short_text_stays():
    said = in_words_of("pt", "the settings file cannot be read: this is data.toml")
    assert said == "o arquivo de configurações não pode ser lido: this is data.toml"
    said = in_words_of("pt", "a correction cannot be used: the action is 'delete'")
    assert said.endswith("'delete'") and "action" not in said


def test_a_proposed_map_speaks_and_reads_as_the_same_map():
    draft = "\n".join([
        "# A proposal. Look at every line; settle what stands under doubtful, and empty that list.",
        'drop = ["A # b"]', "doubtful = [",
        "    \"ignore: 'Caf\u00e9 \\\"x\\\"' is not understood\",", "]",
        'sex = "Sexe"  # 708 filled: G (467), F (241)', "seen = 'D'  # 3 filled, DD/MM/YYYY: "
        "'30/09/2024' fits no other reading",
    ])  # fmt: skip
    told = tell_draft(draft, "es")
    before, after = tomllib.loads(draft), tomllib.loads(told)
    assert after.pop("doubtful") == ["ignore: 'Caf\u00e9 \"x\"' no se entiende"]
    assert after == {k: v for k, v in before.items() if k != "doubtful"}
    assert told.splitlines()[0].startswith("# Una propuesta.")
    assert told.splitlines()[-2:] == [
        'sex = "Sexe"  # 708 llenas: G (467), F (241)',
        "seen = 'D'  # 3 llenas, DD/MM/YYYY: '30/09/2024' no tiene otra lectura",
    ]
    assert tell_draft(draft, "en") == draft


def test_help_of_every_command_and_option_is_in_the_language():
    command = typer.main.get_command(cli.app)
    before = _helps(command)
    speak(command, "fr")
    after = _helps(command)
    assert len(before) == len(after) > 30
    assert not set(before) & set(after)


def _helps(command):
    own = [text for text in (command.help, command.short_help) if text]
    own += [option.help for option in command.params if getattr(option, "help", None)]
    return own + [h for below in getattr(command, "commands", {}).values() for h in _helps(below)]


def test_the_command_line_speaks_as_asked():
    done = subprocess.run(
        [sys.executable, "-m", "analytics", "define", "no_such_code", "--language", "fr"],
        capture_output=True, text=True, check=False, env=os.environ | {"PYTHONUTF8": "1"},
    )  # fmt: skip
    assert done.returncode == SettingsError.exit_code
    assert done.stderr.startswith("il n\u2019y a pas d\u2019indicateur nommé 'no_such_code'")

"""Messages to a person who brings exports: every one is told in every language."""

import ast
import re
from pathlib import Path

import pytest

import analytics
from analytics.definitions.labels import labels, languages
from analytics.definitions.messages import speaking, tell_error, translate
from analytics.errors import AnalyticsError, ExportFileError, NotEstimableError

ROOT = Path(analytics.__file__).parent
FILES = [*sorted((ROOT / "intake").glob("*.py")), ROOT / "reports" / "answers.py"]
KINDS = {"ExportFileError", "SourceMapError", "RecordsError", "SettingsError", "OutputError",
         "WorkError"}  # fmt: skip
OTHERS = [language for language in languages() if language != "en"]

#: Texts that are joined from values alone, such as lists of names.
WORDLESS = re.compile(r"[\W\d_]*|YYYY-MM-DD|Patient\.\.\.\.")


def templates(node: ast.expr) -> list[str]:
    """Every text that an expression can give, with {0}, {1}, ... in the place of values."""
    if isinstance(node, ast.Constant):
        return [node.value] if isinstance(node.value, str) else []
    if isinstance(node, ast.JoinedStr):
        parts = [v.value if isinstance(v, ast.Constant) else None for v in node.values]
        numbers = iter(range(10))
        return ["".join(f"{{{next(numbers)}}}" if p is None else p for p in parts)]
    if isinstance(node, ast.BoolOp):
        return [text for value in node.values for text in templates(value)]
    if isinstance(node, ast.IfExp):
        return templates(node.body) + templates(node.orelse)
    return []


def raised() -> set[str]:
    found = set()
    for path in FILES:
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(call, ast.Call) and getattr(call.func, "id", "") in KINDS:
                nodes = [*call.args[:1], *(k.value for k in call.keywords if k.arg != "where")]
                found |= {text for node in nodes for text in templates(node)}
    return {text for text in found if not WORDLESS.fullmatch(re.sub(r"\{\d\}", "", text))}


def test_every_message_that_intake_can_raise_has_its_words():
    said = {text for key, text in labels("en").items() if key.startswith("error.said.")}
    assert len(raised()) > 120
    assert sorted(raised() - said - {"a correction cannot be used: {0}"}) == []


@pytest.mark.parametrize("language", OTHERS)
def test_a_translation_keeps_the_values_and_is_none_of_the_english(language):
    for key, english in labels("en").items():
        if key.startswith("error."):
            told = labels(language)[key]
            gaps = re.compile(r"\{\w+\}")
            assert sorted(gaps.findall(told)) == sorted(gaps.findall(english)), key
            assert told != english or language in english, key


def test_a_message_is_told_whole_in_the_language_of_the_programme():
    error = ExportFileError(
        "the same heading stands over several columns: Date, Pirani",
        where="a.xlsx, sheet 'Visites', line 3, map 'sud'",
        allowed="each heading once; or number_doubled = true under [file] in the source map, which "
        "calls the next one 'Date (2)'",
        todo="did you mean 'Date' or 'Data'?",
    )
    told = tell_error(error, "es")
    assert type(told) is ExportFileError
    assert told.exit_code == error.exit_code
    assert str(told).splitlines() == [
        "el mismo encabezado está sobre varias columnas: Date, Pirani",
        "  dónde: a.xlsx, hoja 'Visites', línea 3, mapa 'sud'",
        "  permitido: cada encabezado una vez; o number_doubled = true bajo [file] en el mapa, que "
        "llama al siguiente 'Date (2)'",
        "  qué hacer: ¿quiso decir 'Date' o 'Data'?",
    ]
    assert tell_error(error, "en") is error


@pytest.mark.parametrize(
    "english, portuguese",
    [
        ("did you mean 'Pirani'? add each text under [codes] in the source map 'sul', or to what "
         "means missing",
         "quis dizer 'Pirani'? acrescente cada texto em [codes] no mapa 'sul', ou ao que significa "
         "não registrado"),
        ("the column 'Nome' looks like names of persons",
         "a coluna 'Nome' parece conter nomes de pessoas"),
        ("a correction cannot be used: the action is 'delete'",
         "uma correção não serve: a ação é 'delete'"),
        ("there is no line 7 of a.csv in the exports", "não há linha 7 de a.csv nas exportações"),
        ("nobody has ever raised this", "nobody has ever raised this"),
        ("", ""),
    ],
)  # fmt: skip
def test_a_message_is_recognised_by_its_words_with_any_values(english, portuguese):
    assert translate(english, "pt") == portuguese


def test_what_is_done_within_speaks_the_language():
    with pytest.raises(ExportFileError, match="l'export .*a.csv.* est vide"), speaking("fr"):
        raise ExportFileError("the export 'a.csv' is empty")
    error = AnalyticsError("the export 'a.csv' is empty")
    with pytest.raises(AnalyticsError) as caught, speaking("en"):
        raise error
    assert caught.value is error
    with pytest.raises(NotEstimableError, match="too_few"), speaking("fr"):
        raise NotEstimableError("too_few")

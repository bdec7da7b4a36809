"""Texts to dates and numbers, hashes of identifiers, and what may be shown of a bad text."""

from __future__ import annotations

import base64
import hashlib
import hmac
from datetime import date

import numpy as np
import pytest

from analytics.intake.dates import read_dates
from analytics.intake.identity import key_texts, veil
from analytics.intake.map_types import DateSettings, FileSettings
from analytics.intake.numbers import read_numbers
from analytics.intake.read_text import read_text_file
from analytics.intake.texts import categorise

DATES = [
    # text, formats, day, precision
    ("03/04/2021", ("DD/MM/YYYY",), "2021-04-03", "day"),
    ("03/04/2021", ("MM/DD/YYYY",), "2021-03-04", "day"),
    ("3/4/2021", ("DD/MM/YYYY",), "2021-04-03", "day"),
    ("29/02/2024", ("DD/MM/YYYY",), "2024-02-29", "day"),
    ("29/02/2023", ("DD/MM/YYYY",), None, ""),
    ("31/04/2023", ("DD/MM/YYYY",), None, ""),
    ("00/04/2023", ("DD/MM/YYYY",), None, ""),
    ("01/13/2023", ("DD/MM/YYYY",), None, ""),
    ("03/04/21", ("DD/MM/YYYY", "DD/MM/YY"), "2021-04-03", "day"),
    ("03/04/79", ("DD/MM/YY",), "2079-04-03", "day"),
    ("03/04/80", ("DD/MM/YY",), "1980-04-03", "day"),
    ("2021-04-03 10:22", ("YYYY-MM-DD",), "2021-04-03", "day"),
    ("2021-04-03T10:22:01Z", ("YYYY-MM-DD",), "2021-04-03", "day"),
    ("12 mars 2020", ("DD MON YYYY",), "2020-03-12", "day"),
    ("12-Aug-20", ("DD-MON-YY",), "2020-08-12", "day"),
    ("déc. 2019", ("MON YYYY",), "2019-12-01", "month"),
    ("1 agosto 2020", ("DD MON YYYY",), "2020-08-01", "day"),
    ("4 juillet 2020", ("DD MON YYYY",), "2020-07-04", "day"),
    ("4 juin 2020", ("DD MON YYYY",), "2020-06-04", "day"),
    ("09/2018", ("DD/MM/YYYY", "MM/YYYY"), "2018-09-01", "month"),
    ("2018", ("YYYY",), "2018-01-01", "year"),
    ("20210403", ("YYYYMMDD",), "2021-04-03", "day"),
    ("2564-04-03", ("YYYY-MM-DD",), None, ""),
    ("0021-04-03", ("YYYY-MM-DD",), None, ""),
    ("soon", ("YYYY-MM-DD",), None, ""),
    (date(2021, 4, 3), ("DD/MM/YYYY",), "2021-04-03", "day"),
    ("1899-12-31", ("YYYY-MM-DD",), None, ""),
    ("1900-01-01", ("YYYY-MM-DD",), "1900-01-01", "day"),
    ("2100-12-31", ("YYYY-MM-DD",), "2100-12-31", "day"),
    ("2101-01-01", ("YYYY-MM-DD",), None, ""),
    ("2021-00-10", ("YYYY-MM-DD",), None, ""),
    ("2021-13-10", ("YYYY-MM-DD",), None, ""),
    ("2021-04-00", ("YYYY-MM-DD",), None, ""),
    ("2021-04-31", ("YYYY-MM-DD",), None, ""),
    ("2021-01-32", ("YYYY-MM-DD",), None, ""),
    ("2020-02-29", ("YYYY-MM-DD",), "2020-02-29", "day"),
    ("2021-02-29", ("YYYY-MM-DD",), None, ""),
]


@pytest.mark.parametrize("text, formats, day, precision", DATES)
def test_dates_by_declared_formats(text, formats, day, precision):
    texts = np.empty(1, dtype=object)
    texts[0] = text
    read = read_dates(texts, formats, DateSettings())
    assert (None if np.isnat(read.days[0]) else str(read.days[0])) == day
    assert day is None or read.precision[0] == precision


@pytest.mark.parametrize(
    # Serials of 2021-05-05 in both calendars, as spreadsheet programs show them for that day.
    "text, epoch, day",
    [("44321", 1900, "2021-05-05"), ("42859", 1904, "2021-05-05"), ("44321.4", 1900, "2021-05-05"),
     ("44321", 0, None), ("12", 1900, None)],
)  # fmt: skip
def test_serials_of_both_calendars(text, epoch, day):
    settings = DateSettings(serials=epoch)
    read = read_dates(np.array([text], dtype=object), ("DD/MM/YYYY",), settings)
    assert (None if np.isnat(read.days[0]) else str(read.days[0])) == day


NUMBERS = [
    # text, decimal mark, highest, value
    ("4.5", ".", 6, 4.5),
    ("4,5", ",", 6, 4.5),
    ("4,5", ".", 6, 4.5),
    ("1.500", ",", None, None),
    ("1.500", ".", None, 1.5),
    ("3½", ".", 6, 3.5),
    ("½", ".", 6, 0.5),
    ("2+2.5", ".", 6, 4.5),
    ("2 + 2½", ".", 6, 4.5),
    ("4.5/6", ".", 6, 4.5),
    ("4.5/10", ".", 6, None),
    ("4.5/6", ".", None, None),
    ("-20", ".", None, -20),
    ("−20°", ".", None, -20),
    ("23 h", ".", None, 23),
    ("23 hours", ".", None, 23),
    ("O.5", ".", 6, None),
    ("4..5", ".", 6, None),
    ("4-5", ".", 6, None),
    ("", ".", 6, None),
]


@pytest.mark.parametrize("text, decimal, highest, value", NUMBERS)
def test_numbers_as_clinics_write_them(text, decimal, highest, value):
    read = read_numbers([text], decimal=decimal, highest=highest)[0]
    assert (None if np.isnan(read) else read) == value


@pytest.mark.parametrize("n", [3, 64, 65, 200])
def test_a_pseudonym_is_the_keyed_hash_of_its_text(n):
    # HMAC with SHA-256 (RFC 2104) by the standard library, its first 80 bits in base32.
    key = bytes(range(n))
    made = key_texts([categorise(["A 12"])], key, purpose="child")
    digest = hmac.new(key, b"child\x1fa 12", hashlib.sha256).digest()
    assert made[0] == base64.b32encode(digest[:10]).decode().lower()


def test_pseudonyms_depend_on_key_purpose_and_text_alone():
    texts = [categorise(["7", " 7 ", "8", None])]
    one = key_texts(texts, b"one", purpose="child")
    assert one[0] == one[1] != one[2]
    assert one.isna().tolist() == [False, False, False, True]
    assert one[0] != key_texts(texts, b"two", purpose="child")[0]
    assert one[0] != key_texts(texts, b"one", purpose="link")[0]


def test_joined_texts_do_not_run_into_each_other():
    left = [categorise(["1", "12"]), categorise(["23", "3"])]
    made = key_texts(left, b"key", purpose="child")
    assert made[0] != made[1]


@pytest.mark.parametrize("text", ["31/02/2024", "7.5", "4,5/6", "abc", "R2", "2024-02-30 10:00"])
def test_a_bad_value_is_shown(text):
    assert veil(text) == text


@pytest.mark.parametrize("text", ["Ama Owusu", "Amina", "0700555012", "0700 555 012", "a@b.org"])
def test_a_text_that_could_name_a_person_is_not(text):
    assert veil(text) == f"(text of {len(text)} signs)"


def test_lines_are_counted_from_the_end_of_the_headings():
    text = 'a,"b\nc"\n1,2\n3,"4\n5"\n6,7\n'
    raw = read_text_file(text.encode(), FileSettings(), "x.csv")
    assert raw.line.tolist() == [3, 4, 6]
    assert raw.headings == ["a", "b\nc"]


@pytest.mark.parametrize("mark, encoding", [(b"\xef\xbb\xbf", "utf-8"), (b"\xff\xfe", "utf-16-le")])
def test_a_byte_order_mark_goes_before_the_declared_encoding(mark, encoding):
    content = mark + "a;b\né;ü\n".encode(encoding)
    raw = read_text_file(content, FileSettings(encoding="cp1252", delimiter=";"), "x.csv")
    assert raw.headings == ["a", "b"]
    assert [column[0] for column in raw.columns] == ["é", "ü"]

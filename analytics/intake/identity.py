"""Keyed pseudonyms; direct identifiers never pass this door."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.definitions.columns import EXTRA_PREFIX
from analytics.errors import SettingsError, SourceMapError
from analytics.intake.texts import fold_codes, used_codes

#: Letters of a pseudonym: 16 of 5 bits keep a million children apart with room to spare.
PSEUDONYM_LENGTH = 16

#: Bytes of a hash that make a pseudonym, and its letters: those of base 32 (RFC 4648), small.
_BYTES = PSEUDONYM_LENGTH * 5 // 8
_LETTERS = np.frombuffer(b"abcdefghijklmnopqrstuvwxyz234567", dtype="S1")

#: Bytes that SHA-256 takes in at a time (FIPS 180-4).
_BLOCK = 64

#: Fewer signs than this can be found by trying.
SHORTEST_KEY = 12

_HEADING_OF_IDENTIFIER = re.compile(
    r"\b(name|nom|prenom|prénom|nombre|apellido|nome|sobrenome|phone|mobile|tel|telephone|"
    r"téléphone|telefono|teléfono|telefone|e-?mail|address|adresse|direccion|dirección|endereço)\b",
    re.IGNORECASE,
)
_EMAIL = re.compile(r"[^@\s]+@[^@\s]+\.\w+")
_TELEPHONE = re.compile(r"\+?\(?\d[\d\s().-]{5,}\d")
_DATE = re.compile(r"\d{1,4}[-/. ]\d{1,2}[-/. ]\d{1,4}([ T]\d{1,2}:\d{2}(:\d{2})?)?")
_PERSON = re.compile(r"[^\W\d_][\w'’-]+(\s+[^\W\d_][\w'’.-]*){1,3}")

#: Shares of the distinct texts above which a column counts as telephones or names.
TELEPHONE_SHARE, PERSON_SHARE = 0.2, 0.6

#: A column of names repeats little: distinct over filled cells, judged from this many on.
PERSON_VARIETY, FEWEST_PERSONS = 0.5, 5


def check_key(key: str) -> bytes:
    """Return the key's bytes.

    Raises
    ------
    SettingsError
        When it is shorter than ``SHORTEST_KEY``; the key itself is not shown.
    """
    if len(key) < SHORTEST_KEY:
        raise SettingsError(
            f"the key of the pseudonyms has {len(key)} signs",
            allowed=f"at least {SHORTEST_KEY}",
            todo="choose a long random key once, and keep it for all later exports",
        )
    return key.encode("utf-8")


def key_texts(parts: Sequence[pd.Categorical], key: bytes, *, purpose: str) -> pd.Categorical:
    """Return the keyed hash of joined texts; missing where any part is missing.

    Parameters
    ----------
    parts
        Texts of equal length; case and outer white space do not matter.
    key
        Secret of the programme.
    purpose
        Keeps hashes made for one purpose apart from those made for another.
    """
    codes, texts = _plain_texts(parts[0])
    for part in parts[1:]:
        further, more = _plain_texts(part)
        known = (codes >= 0) & (further >= 0)
        own, pairs = pd.factorize(codes[known] * len(more) + further[known])
        texts = [f"{texts[pair // len(more)]}\x1f{more[pair % len(more)]}" for pair in pairs]
        codes = np.full(len(known), -1)
        codes[known] = own
    hashes = _hash(f"{purpose}\x1f".encode(), texts, key)
    return fold_codes(codes, np.array(hashes, dtype=object))


def _plain_texts(part: pd.Categorical) -> tuple[np.ndarray, list[str]]:
    """Return texts as places in distinct ones; case and white space do not matter."""
    codes, distinct = used_codes(part)
    return codes.astype(np.int64), [" ".join(text.split()).casefold() for text in distinct]


def _hash(prefix: bytes, texts: Sequence[str], key: bytes) -> list[str]:
    digests = b"".join(_digests(prefix, texts, key))
    # Five bits make a letter: no more bytes are looked at than the letters need.
    used = np.frombuffer(digests, dtype=np.uint8).reshape(len(texts), 32)[:, :_BYTES]
    bits = np.unpackbits(used, axis=1).reshape(len(texts), PSEUDONYM_LENGTH, 5)
    letters = _LETTERS[bits @ np.array([16, 8, 4, 2, 1], dtype=np.uint8)]
    return [*letters.view(f"S{PSEUDONYM_LENGTH}").ravel().astype(str)]


def _digests(prefix: bytes, texts: Sequence[str], key: bytes) -> Iterator[bytes]:
    """Yield HMAC with SHA-256 (RFC 2104) of texts that begin alike; the key is taken in once."""
    block = (key if len(key) <= _BLOCK else hashlib.sha256(key).digest()).ljust(_BLOCK, b"\0")
    within = hashlib.sha256(bytes(byte ^ 0x36 for byte in block) + prefix)
    around = hashlib.sha256(bytes(byte ^ 0x5C for byte in block))
    for text in texts:
        inner, outer = within.copy(), around.copy()
        inner.update(text.encode("utf-8"))
        outer.update(inner.digest())
        yield outer.digest()


@dataclass(frozen=True)
class Looks:
    """What the distinct texts of a column look like; of no use for telling what they are.

    Parameters
    ----------
    mark
        A number for each distinct text.
    kind
        Which of ``_KINDS`` it looks like, as bits.
    n_filled
        Cells that hold any.
    """

    mark: np.ndarray
    kind: np.ndarray
    n_filled: int


def describe_texts(column: pd.Series) -> Looks:
    """Return what the texts of a column look like."""
    counts = column.value_counts()
    counts = counts[[n > 0 and bool(str(text).strip()) for text, n in counts.items()]]
    texts = [str(text) for text in counts.index]
    kind = [sum(bit * test(text.strip()) for bit, test in _KINDS.items()) for text in texts]
    mark = pd.util.hash_array(np.array([*texts, ""], dtype=object), categorize=False)[:-1]
    return Looks(mark, np.array(kind, dtype=np.uint8), int(counts.sum()))


def join_looks(parts: Sequence[Looks]) -> Looks:
    """Return what the texts of pieces of one column look like together."""
    mark, at = np.unique(np.concatenate([part.mark for part in parts]), return_index=True)
    kind = np.concatenate([part.kind for part in parts])[at]
    return Looks(mark, kind, sum(part.n_filled for part in parts))


def scan_for_identifiers(cells: pd.DataFrame, texts: Mapping[str, bool], *, where: str) -> None:
    """Refuse a column that would be stored as text and looks like names, telephones or e-mail.

    Parameters
    ----------
    cells
        Cells by heading.
    texts
        Headings whose texts would be stored as they are, to whether the heading tells too.
    where
        File and map, for the message.

    Raises
    ------
    SourceMapError
        Naming the heading; none of its values is shown.
    """
    for heading, heading_tells in texts.items():
        refuse_looks(heading, describe_texts(cells[heading]), heading_tells, where=where)


def refuse_looks(heading: str, looks: Looks, heading_tells: bool, *, where: str) -> None:
    """Raise ``SourceMapError`` when a column looks like identifiers; see the scan."""
    kind = _judge(heading if heading_tells else "", looks)
    if kind:
        raise SourceMapError(
            f"the column '{heading}' looks like {kind}",
            where=where,
            allowed=f"columns kept as text ({EXTRA_PREFIX}..., clinic) name no person",
            todo="move the heading to drop in the source map",
        )


def names_identifier(heading: str) -> bool:
    """Return whether a heading speaks of a name, a telephone, an address or the like."""
    return bool(_HEADING_OF_IDENTIFIER.search(heading.replace("_", " ")))


def looks_like_identifier(heading: str, column: pd.Series) -> bool:
    """Return whether a column seems to hold direct identifiers."""
    return bool(_judge(heading, describe_texts(column)))


def _judge(heading: str, looks: Looks) -> str:
    n = len(looks.kind)
    if not n:
        return ""
    if names_identifier(heading):
        return "a direct identifier by its heading"
    of = {bit: np.count_nonzero(looks.kind & bit) for bit in _KINDS}
    if of[_IS_EMAIL]:
        return "e-mail addresses"
    if of[_IS_TELEPHONE] > TELEPHONE_SHARE * n:
        return "telephone numbers"
    if n >= FEWEST_PERSONS and n / max(looks.n_filled, 1) > PERSON_VARIETY:
        return "names of persons" if of[_IS_PERSON] / n > PERSON_SHARE else ""
    return ""


_IS_EMAIL, _IS_TELEPHONE, _IS_PERSON = 1, 2, 4
_KINDS: dict[int, Callable[[str], bool]] = {
    _IS_EMAIL: lambda text: bool(_EMAIL.search(text)),
    _IS_TELEPHONE: lambda text: bool(_TELEPHONE.fullmatch(text) and not _DATE.fullmatch(text)),
    _IS_PERSON: lambda text: bool(_PERSON.fullmatch(text)),
}


_SAFE = re.compile(
    r"\d{1,4}[-/. ]\d{1,2}[-/. ]\d{1,4}([ T]\d{1,2}:\d{2}(:\d{2})?)?"
    r"|[-+]?[\d.,/½¼¾%°<>+ ]{1,6}|[^\W\d_]{1,3}\d{0,2}"
)


def veil(text: object) -> str:
    """Return a text that failed to be read, or only its length where it could name a person."""
    plain = str(text).strip()
    return plain if _SAFE.fullmatch(plain) else f"(text of {len(plain)} signs)"

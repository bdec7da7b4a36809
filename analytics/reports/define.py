"""What ``talipes define`` prints: figures as a programme's settings leave them."""

from __future__ import annotations

from pathlib import Path

from analytics.definitions.burden import Burden
from analytics.definitions.custom import Catalogue, build_catalogue
from analytics.definitions.indicators import INDICATORS
from analytics.definitions.labels import labels
from analytics.definitions.protocol import Protocol
from analytics.display.define_formula import define_formula
from analytics.display.definitions import define, list_formulas, list_indicators
from analytics.reports.settings import read_settings


def tell_definition(code: str = "", *, settings: Path | None = None, language: str = "en") -> str:
    """Return one definition as text, or the list of all.

    Parameters
    ----------
    code
        Code of an indicator or of another figure; empty for the list.
    settings
        Settings file of a programme; None for our own definitions.
    language
        Language of the words.

    Raises
    ------
    SettingsError
        When there is no such indicator, language or file, or the settings define it wrongly.
    """
    labels(language)
    protocol, burden, catalogue = Protocol(), Burden(), Catalogue(INDICATORS)
    if settings is not None:
        read = read_settings(settings, language=language)
        protocol, burden = read.protocol, read.burden
        catalogue = build_catalogue(
            read.own_indicators, protocol, where=read.file.name, language=language
        )
    if not code:
        return list_indicators(catalogue, language)
    if code in (other for _, other in list_formulas(catalogue.indicators)):
        return define_formula(code, burden, language)
    return define(catalogue.get(code), protocol, language)

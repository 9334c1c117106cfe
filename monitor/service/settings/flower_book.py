"""The book of flowers as the settings have it."""

from __future__ import annotations

from monitor.service.settings.settings import Settings
from monitor.service.settings.tables import SettingsError
from monitor.service.shipped import shipped
from monitor.site.flowers import Book, BookError, read_book


def book_of(settings: Settings) -> Book:
    """What is known of each flower, with the settings' own laid over it.

    raises SettingsError where the settings' own flowers are wrong
    """
    text = shipped("config/flowers.toml").read_text("utf-8")
    try:
        return read_book(text, settings.flowers)
    except BookError as error:
        where = [f"{settings.file}: {problem}" for problem in error.problems]
        raise SettingsError(where) from error

"""Names in the settings: of spaces, windows, sensors and addresses."""

from __future__ import annotations

import unicodedata

from monitor.service.settings.tables import Table, shown

NAME_LETTERS = 60


def read_name(table: Table, taken: list[str], example: str) -> str:
    """A name that fits into a topic, a file name and a page; "" where it does not."""
    expected = f"a name of up to {NAME_LETTERS} letters, digits, spaces, - and _"
    write = f'name = "{example}"'
    if not table.required("name", expected, f"write {write}"):
        table.take("name")
        return ""
    name = unicodedata.normalize("NFC", table.text("name", "", expected, write))
    if not name:
        return ""
    fits = all(letter.isalnum() or letter in " -_" for letter in name)
    if not fits or name != name.strip() or len(name) > NAME_LETTERS:
        table.refuse("name", name, expected, write)
        return ""
    twin = next((one for one in taken if one.casefold() == name.casefold()), None)
    if twin is not None:
        wrong = f"the name {shown(name)} is taken"
        table.problem("name", wrong, "a name for each was expected", "write another name")
    return name

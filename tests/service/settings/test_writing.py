"""A settings file is changed only where asked, whole or not at all, and can be taken back."""

from __future__ import annotations

import shutil
import stat
import threading
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.service.settings.files import shipped
from monitor.service.settings.settings import load
from monitor.service.settings.tables import SettingsError
from monitor.service.settings.writing import (
    Add,
    Drop,
    Put,
    change,
    changed,
    secret_name,
    take_back,
    versions,
    write_secret,
)

SHIPPED = shipped("config/drying-room.toml")


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """The shipped settings, as a person has them."""
    return Path(shutil.copy(SHIPPED, tmp_path / "drying-room.toml"))


def test_one_value_changes_and_no_other_line(file: Path) -> None:
    done = change(file, [Put(("space", "loft", "limits", "hot_c"), 29)])
    old = "hot_c = 30                       # tight buds this year: left out, 32"
    assert done == [(False, old), (True, old.replace("30 ", "29 ", 1))]
    assert load(file).site.spaces["loft"].limits.hot_c == 29


@pytest.mark.parametrize(
    ("path", "value", "lines"),
    [
        (("space", "wash house", "limits", "damp_pct"), 70, 2),  # an inline table
        (("space", "box room", "limits", "hot_c"), 25.5, 1),  # one that is not there yet
        (("space", "box room", "volume_m3"), 12, 1),
        (("space", "loft", "volume_m3"), 40, 2),
        (("notices", "most_a_day"), 5, 1),  # a table that holds nothing but remarks
        (("site", "elevation_m"), 100, 2),
        (("sensor", "yard", "space"), "loft", None),  # refused below: rain falls outdoors
        (("sensor", "loft-rail", "reads", "temperature", "unit"), "°F", 2),
        (("page", "port"), 8700, 1),
    ],
)
def test_each_kind_of_line(file: Path, path: tuple[str, ...], value: object, lines: int) -> None:
    if lines is None:
        with pytest.raises(SettingsError, match="rain is measured outdoors only"):
            change(file, [Put(path, value)])
        assert file.read_bytes() == SHIPPED.read_bytes()
        return
    done = change(file, [Put(path, value)])
    assert len(done) == lines, done
    before, after = SHIPPED.read_text("utf-8").splitlines(), file.read_text("utf-8").splitlines()
    untouched = set(before) - {line.text for line in done}
    assert untouched <= set(after)


def test_a_new_key_stands_in_its_table_with_its_remark() -> None:
    text = '[site]\nname = "Barn"\n\n[mqtt]\nhost = "127.0.0.1"\n'
    assert changed(text, [Put(("site", "elevation_m"), 210, "above the sea")]) == (
        '[site]\nname = "Barn"\nelevation_m = 210 # above the sea\n\n[mqtt]\nhost = "127.0.0.1"\n'
    )


def test_a_space_renamed_with_its_sensors_moved_and_another_dropped(file: Path) -> None:
    change(
        file,
        [
            Put(("space", "loft", "name"), "attic"),
            Put(("sensor", "loft-rail", "space"), "attic"),
            Put(("sensor", "loft-bunch", "space"), "attic"),
            Drop(("sensor", "box-room")),
            Drop(("space", "box room")),
        ],
    )
    site = load(file).site
    assert list(site.spaces) == ["attic", "wash house", "outdoors"]
    assert "box-room" not in site.sensors
    assert site.sensors["loft-rail"].space == "attic"


def test_lines_are_added_as_they_are_written(file: Path) -> None:
    lines = '[[space]]\nname = "cellar"\nuse = "storing"  # cool'
    done = change(file, [Add(lines)])
    assert [one.text for one in done if one.text] == lines.splitlines()
    assert all(one.new for one in done)
    assert "cellar" in load(file).site.spaces


def test_a_bad_value_is_refused_with_the_sentence_of_check(file: Path) -> None:
    before = file.read_bytes()
    with pytest.raises(SettingsError) as told:
        change(file, [Put(("space", "loft", "limits", "hot_c"), 300)])
    (sentence,) = told.value.problems
    assert sentence.startswith(f"{file}:")
    assert "limits.hot_c is 300" in sentence or "hot_c is 300" in sentence
    assert file.read_bytes() == before
    assert not versions(file)
    assert [one.name for one in file.parent.iterdir()] == [file.name]


def test_what_was_refused_leaves_no_secret_behind(file: Path) -> None:
    with pytest.raises(SettingsError):
        change(file, [Put(("mqtt", "port"), -1)], {"mqtt-password": "kept dry"})
    assert not file.with_name("mqtt-password").exists()


def test_a_secret_has_a_file_for_its_owner_alone_and_is_never_written_over(file: Path) -> None:
    name = secret_name(file, "mqtt password")
    puts = [Put(("mqtt", "user"), "drying-room"), Put(("mqtt", "password_file"), name)]
    done = change(file, puts, {name: "straw and ink"})
    kept = file.with_name("mqtt-password")
    assert kept.read_text("utf-8") == "straw and ink\n"
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    assert not any("straw" in line.text for line in done)
    assert secret_name(file, "mqtt password") == "mqtt-password-2"
    with pytest.raises(FileExistsError):
        write_secret(file.parent, kept.name, "other")


@pytest.mark.parametrize("name", ["../x", "a/b", ".hidden", "", "drying-room.toml", "ü"])
def test_a_path_is_no_name_of_a_secret(file: Path, name: str) -> None:
    with pytest.raises(OSError, match="no name for a file of a secret"):
        change(file, [], {name: "x"})
    assert file.read_bytes() == SHIPPED.read_bytes()


def test_each_change_keeps_the_file_before_and_is_taken_back(file: Path) -> None:
    first = file.read_text("utf-8")
    change(file, [Put(("site", "name"), "Barn")])
    second = file.read_text("utf-8")
    change(file, [Put(("site", "elevation_m"), 5)])
    third = file.read_text("utf-8")
    assert [one.read_text("utf-8") for one in versions(file)] == [second, first]
    assert len(take_back(file)) == 2
    assert file.read_text("utf-8") == second
    take_back(file)  # a taking back is a change too
    assert file.read_text("utf-8") == third


def test_the_mode_stays_and_a_new_file_is_for_owner_and_group(file: Path, tmp_path: Path) -> None:
    file.chmod(0o600)
    change(file, [Put(("site", "name"), "Barn")])
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    new = tmp_path / "new.toml"
    change(new, [Put(("site", "name"), "Barn")], tables=("store",))
    assert stat.S_IMODE(new.stat().st_mode) == 0o640
    assert new.read_text("utf-8").startswith("# Settings of the drying-room monitor.")
    assert tomllib.loads(new.read_text("utf-8")) == {"site": {"name": "Barn"}}


def test_two_at_once_both_are_written(file: Path) -> None:
    def heights(key: str) -> None:
        for n in range(10):
            change(file, [Put(("site", key), n)])

    both = [threading.Thread(target=heights, args=(key,)) for key in ("latitude", "longitude")]
    for one in both:
        one.start()
    for one in both:
        one.join()
    site = load(file).site
    assert (site.latitude, site.longitude) == (9, 9)


def test_nothing_asked_nothing_written(file: Path) -> None:
    assert change(file, [Put(("mqtt", "port"), 1883)]) == []
    assert not versions(file)


def test_what_is_not_there_is_said(file: Path) -> None:
    with pytest.raises(SettingsError, match=r"no space\.barn\.limits\.hot_c in it"):
        change(file, [Put(("space", "barn", "limits", "hot_c"), 3)])
    with pytest.raises(SettingsError, match=r"no sensor\.gone in it"):
        change(file, [Drop(("sensor", "gone"))])


@given(
    st.sampled_from([("site", "name"), ("space", "loft", "name"), ("sensor", "yard", "topic")]),
    st.text(min_size=1, max_size=80),
)
def test_any_text_is_written_as_that_text(path: tuple[str, ...], told: str) -> None:
    text = SHIPPED.read_text("utf-8")
    after = changed(text, [Put(path, told)])
    expected = tomllib.loads(text)
    found = tomllib.loads(after)
    if path[0] == "site":
        expected["site"]["name"] = told
    else:
        named = next(one for one in expected[path[0]] if one["name"] == path[1])
        named[path[2]] = told
    assert found == expected
    assert sum(a != b for a, b in zip(text.split("\n"), after.split("\n"), strict=True)) <= 1

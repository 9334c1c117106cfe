"""The benchmarks at their small size fail where a ratio is far out of line, and only there."""

import subprocess
import sys

import pytest

from tests.benchmarks.__main__ import judged
from tests.benchmarks.table import LIMITS, Row, section, written


def run(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "tests.benchmarks", *words]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_one_runs_at_its_full_size_in_a_process_of_its_own() -> None:
    told = run("bench_moist_air")
    assert told.returncode == 0, told.stderr
    assert told.stdout.count("\n") == 3, "two lines of heading and a row"
    assert "| a minute of air |" in told.stdout


def test_a_name_that_there_is_not_gets_one_sentence() -> None:
    told = run("bench_moist_hair")
    assert told.returncode == 2
    assert "no benchmark is called bench_moist_hair; there are bench_moist_air, " in told.stderr


def test_the_small_size_is_of_all_of_them() -> None:
    """Else a limit would go unmeasured."""
    assert run("--quick", "bench_moist_air").returncode == 2


def rows() -> list[Row]:
    """A row for every limit, within it."""
    return [Row(what, "some", "1", "1", max(0.5, low * 2)) for what, (low, _) in LIMITS.items()]


def test_what_is_in_line_passes(capsys: pytest.CaptureFixture[str]) -> None:
    assert judged([rows(), [Row("of which nothing is asked", "some", "1 h", ratio=1e6)]]) == 0
    assert capsys.readouterr().err == ""


@pytest.mark.parametrize("what", LIMITS)
def test_what_is_far_out_of_line_fails_and_is_named(
    what: str, capsys: pytest.CaptureFixture[str]
) -> None:
    least, most = LIMITS[what]
    off = least / 2 if least else most * 2
    told = [row._replace(ratio=off) if row.what == what else row for row in rows()]
    assert judged([told]) == 1
    assert f"far out of line: {what}, some: " in capsys.readouterr().err


def test_the_processor_decides_where_it_is_told() -> None:
    """A busy machine stretches seconds."""
    slow = [row._replace(ratio=1e6, cpu_ratio=row.ratio) for row in rows()]
    assert judged([slow]) == 0


def test_a_limit_without_its_row_fails(capsys: pytest.CaptureFixture[str]) -> None:
    assert judged([rows()[1:]]) == 1
    assert "was not measured" in capsys.readouterr().err


def test_what_is_written_keeps_what_was_not_measured_anew() -> None:
    def part(name: str, ours: str) -> str:
        return section(name, "How fast.", "on 2 cores", [Row("a thing", "one", ours)])

    first = written(
        "", "# Figures\n", {"bench_b": part("bench_b", "1 s"), "bench_a": part("bench_a", "2 s")}
    )
    assert first.index("bench_a") < first.index("bench_b")
    again = written(first, "# Figures\n", {"bench_b": part("bench_b", "3 s")})
    assert again == first.replace("1 s", "3 s")
    assert again.startswith(
        "# Figures\n\n## bench_a\n\nHow fast.\n\nMeasured on 2 cores.\n\n| what |"
    )

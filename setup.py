"""What goes into the package beside its Python: pyproject.toml says the rest.

In a checkout config/ and sample_readings/ stand beside the package; installed they are in it.
"""

from pathlib import Path

from setuptools import find_packages, setup

BESIDE = [folder for folder in ("config", "sample_readings") if Path(folder).is_dir()]

setup(
    packages=[*find_packages(include=["monitor*"]), *(f"monitor.{folder}" for folder in BESIDE)],
    package_dir={f"monitor.{folder}": folder for folder in BESIDE},
    package_data={
        "": ["*.html", "*.css", "*.svg", "templates/**", "static/**"],
        **{f"monitor.{folder}": ["**/*"] for folder in BESIDE},
    },
)

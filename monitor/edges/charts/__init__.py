"""Pictures for the page and the report: arrays into SVG that can be read, heard and printed.

Every picture has a title and a description, its units, and a word beside each colour. Colours,
type and dark mode come from the host page through classes (see `charts.css` beside this file), so
there is no style in the markup and a strict content policy can stand. A picture is 360 units
wide: as wide as a phone; larger pages set several side by side instead of blowing one up.

Long series are drawn as the lowest and the highest value of each step across, in the order they
came: whatever the width, no extreme is lost.
"""

from pathlib import Path

from monitor.edges.charts.lines import ChartLevel, Mark, Series, fan_chart, line_chart
from monitor.edges.charts.strips import Passed, week_strips

STYLE = Path(__file__).with_name("charts.css")

__all__ = [
    "STYLE",
    "ChartLevel",
    "Mark",
    "Passed",
    "Series",
    "fan_chart",
    "line_chart",
    "week_strips",
]

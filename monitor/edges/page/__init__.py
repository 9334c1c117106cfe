"""The page for the phone: what hangs where, how the air is, what to do; and the forms."""

from monitor.edges.page.house import House, Place
from monitor.edges.page.server import PageServer

__all__ = ["House", "PageServer", "Place"]

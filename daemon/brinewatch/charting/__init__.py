"""The past on the page: what is asked of the store in a thread of its own, and drawn as shapes and words, or packed
for a script that draws."""

from brinewatch.charting.sky import nights
from brinewatch.charting.views import Charts

__all__ = ["Charts", "nights"]

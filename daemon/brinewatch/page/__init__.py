"""What a phone shows: the state of the shed in sentences, then the run of the water."""

from pathlib import Path

# what the build brought (deploy/chart_script.py); the page works without it
VENDOR = Path(__file__).parent / "vendor"

"""Lets the tests of the wire share their helpers (`scenario_player`, `scripted_peer`, ...) by plain name."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

"""What this build is: its version, and the day it was made, before which no receiver's date can be right."""

from __future__ import annotations

import datetime as dt

VERSION = "0.1.0"
BUILD_DATE = dt.datetime(2026, 11, 24, tzinfo=dt.UTC)

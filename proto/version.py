"""The version, as a constant: asking the installed package's metadata would load megabytes into every agent."""

from __future__ import annotations

VERSION = "0.1.0"

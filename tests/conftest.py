"""Settings for all tests: no property test fails because a machine was slow."""

from __future__ import annotations

import hypothesis

hypothesis.settings.register_profile("noonmark", deadline=None)
hypothesis.settings.load_profile("noonmark")

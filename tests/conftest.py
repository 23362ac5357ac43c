"""Settings for all tests: no property test fails because a machine was slow; TLS is 1.3, as in every program."""

from __future__ import annotations

from collections.abc import Sequence

import hypothesis
import pytest

from noonmark.proto.tls_version import demand_tls_1_3

demand_tls_1_3()

hypothesis.settings.register_profile("noonmark", deadline=None)
hypothesis.settings.load_profile("noonmark")


def pytest_collection_modifyitems(items: Sequence[pytest.Item]) -> None:
    """deploy/test.sh looks for steady tests in one folder only, to spare the time of reading all others again."""
    for item in items:
        if item.get_closest_marker("steady") and item.path.parent.name != "integration":
            raise pytest.UsageError(f"{item.path}: steady tests belong into tests/integration")

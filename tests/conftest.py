"""Settings for all tests: no property test fails because a machine was slow; TLS is 1.3, as in every program."""

from __future__ import annotations

import hypothesis

from noonmark.proto.tls_version import demand_tls_1_3

demand_tls_1_3()

hypothesis.settings.register_profile("noonmark", deadline=None)
hypothesis.settings.load_profile("noonmark")

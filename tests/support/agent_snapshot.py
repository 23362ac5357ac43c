"""What an agent has to tell at one moment, with something of most things."""

from __future__ import annotations

from noonmark.agent.metrics import Snapshot
from noonmark.agent.report import ReportStatistics
from noonmark.agent.spool import Spool
from noonmark.agent.statistics import ExchangeStatistics, ProbeStatistics, ReflectorStatistics
from noonmark.proto.control import OwnEstimate

OWN = OwnEstimate("measured", 5, -1500, 2e-6, 300, 1e-9, -2000, None)
EXCHANGE = ExchangeStatistics(10, 8, 1, 1, 0, {"late": 2}, {}, {}, 3, 0, 0, 0, 0, {})
SNAPSHOT = Snapshot(
    probes=ProbeStatistics(
        EXCHANGE, ReflectorStatistics(4, {"short": 1}, 0, 0, 1), 0, {}, 0, 2, 77, None, "receive and transmit"
    ),
    spool=Spool().statistics(),
    report=ReportStatistics(False, "127.0.0.1:1", 0, 1, "nobody listens there", 0, 0, 0, 0),
    own=OWN,
    own_age=3.5,
)

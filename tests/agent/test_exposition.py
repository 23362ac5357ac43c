"""Our text format, read by prometheus-client's own parser."""

from __future__ import annotations

import math

from prometheus_client.parser import text_string_to_metric_families

from noonmark.agent.exposition import Family, counter, expose, gauge, labelled


def test_the_usual_parser_reads_what_was_written() -> None:
    text = expose(
        [
            gauge("quay_seconds", "A \\ and\na line.", -2.5e-9),
            counter("gates", "Counted.", 7),
            labelled("lost", "By reason.", "reason", {'quo"te': 1, "back\\slash\nline": 2.0}),
            Family("build_info", "Version.", (({"version": "1"}, 1),)),
            Family("odd", "Odd.", (({}, math.inf),)),
        ]
    )
    families = {family.name: family for family in text_string_to_metric_families(text)}
    assert families["quay_seconds"].documentation == "A \\ and\na line."
    assert families["quay_seconds"].samples[0].value == -2.5e-9
    assert (families["gates"].type, families["gates"].samples[0].name) == ("counter", "gates_total")
    assert {tuple(sample.labels.items()): sample.value for sample in families["lost"].samples} == {
        (("reason", 'quo"te'),): 1.0,
        (("reason", "back\\slash\nline"),): 2.0,
    }
    assert families["build_info"].samples[0].labels == {"version": "1"}
    assert families["odd"].samples[0].value == math.inf

"""What a report of evidence says in words: the method, what an uncertainty means, what this is not. Pure, no numpy."""

from __future__ import annotations

NOT_A_CERTIFICATE = (
    "This report is evidence of what was measured. It is not a certificate of compliance and not legal advice: the "
    "regulators' texts as in force, and those licensed to apply them, decide whether a system complies."
)

METHOD = (
    "Every host exchanges time-stamped packets with several others (RFC 8762, two-way). The four stamps of an exchange "
    "bound the difference of the two clocks whatever the network does, since no delay is negative; all exchanges of a "
    "window together give each host's time error by robust weighted least squares over the whole graph of hosts.",
    "Estimated divergence: the least-squares time error against the references. Its standard uncertainty u holds the "
    "scatter, the asymmetry of paths as far as loops of the graph show it or round trips allow it, and the uncertainty "
    "that the references declare; the expanded uncertainty is U = 2u, about 95 % (JCGM 100:2008).",
    "Certainly bounded divergence: what the exchanges' limits and the references' declared limits prove together, "
    "without any assumption on the network but that no packet arrives before it was sent.",
    "A moment is within a policy where the certain limits lie inside its tolerance; within by estimate where only the "
    "estimate with U does; out where the limits lie wholly outside or the estimate is beyond by more than U; not shown "
    "otherwise (decision rules with guard bands, JCGM 106:2012). Time without measurement is a gap and counts as "
    "neither.",
    "UTC: the references stand for UTC within the uncertainty and the limit that are stated for each. That statement "
    "is of whoever declared it; times in which a reference reported that it was without its source are listed.",
    "Chain: for each host the comparisons that lead to a reference by the least round trips. Half of a least round "
    "trip is the most that asymmetry can hide in that comparison.",
)
"""One paragraph each."""

RECORDS = (
    "A record of evidence holds one day and the SHA-256 of the record before it. Whoever changes a record changes its "
    "hash and breaks the next one's link. Whoever could write all later records anew could hide that: so keep the last "
    "hash where they cannot reach it, and give it when the records are checked."
)

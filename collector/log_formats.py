"""The table of log formats, and the reader that tries them line by line. Pure.

A line is tried against the formats in the table's order, whatever the lines before it were, so that the same line is
always read alike. A format that claims a line but lacks its zone or year does not stop the others: `StampError` is
raised only if none can read it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from noonmark.collector import stamps_clf, stamps_epoch, stamps_fields, stamps_iso, stamps_syslog
from noonmark.collector.log_stamps import LogStamp, Recogniser, StampError, StampOptions
from noonmark.proto.spelling import did_you_mean

RECOGNISED: Mapping[str, Recogniser] = {
    "rfc5424": stamps_syslog.read_rfc5424,
    "rfc3164": stamps_syslog.read_rfc3164,
    "json": stamps_fields.read_json,
    "rfc3339": stamps_iso.read_at_start,
    "epoch": stamps_epoch.read_at_start,
    "glog": stamps_syslog.read_glog,
    "clf": stamps_clf.read_clf,
    "logfmt": stamps_fields.read_logfmt,
}
"""Tried on every line, in this order, unless the format is forced."""
FORCED_ONLY: Mapping[str, Recogniser] = {
    "rfc3339-inside": stamps_iso.read_inside,
} | {unit: stamps_epoch.in_unit(unit) for unit in stamps_epoch.UNIT_NS}
FORMATS: Mapping[str, Recogniser] = {**RECOGNISED, **FORCED_ONLY}
JOURNAL_EXPORT = "journal-export"
"""Not a format of lines but of blocks; see stamps_journal."""


class StampReader:
    """Reads the stamps of one log in the order of its lines; remembers the instant of the line before."""

    def __init__(self, options: StampOptions, formats: Sequence[str] = ()) -> None:
        """Try all recognised formats, or only those named. Raises ValueError for a name that is not in `FORMATS`."""
        unknown = [name for name in formats if name not in FORMATS]
        if unknown:
            known = (*FORMATS, JOURNAL_EXPORT)
            near = did_you_mean(unknown[0], known)
            raise ValueError(f"no such log format: {unknown[0]}; {near or 'there are ' + ', '.join(known)}")
        self.options = options
        self.recognisers = [FORMATS[name] for name in formats or RECOGNISED]
        self.before_ns: int | None = None

    def read(self, line: bytes) -> LogStamp | None:
        """The stamp of the next line (without its newline), or None.

        Raises StampError if a stamp was found but cannot be used.
        """
        refused: StampError | None = None
        for recognise in self.recognisers:
            try:
                stamp = recognise(line, self.options, self.before_ns)
            except StampError as error:
                refused = refused or error
                continue
            if stamp is not None:
                self.before_ns = stamp.time_ns
                return stamp
        if refused is not None:
            raise refused
        return None

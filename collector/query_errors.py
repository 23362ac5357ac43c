"""Why a question about clocks has no answer, whoever was asked: a collector or a history. Pure, free of gRPC."""


class NobodyThere(Exception):  # noqa: N818 - named for what the caller should tell
    """No collector answered at the address within the time."""


class NoData(Exception):  # noqa: N818
    """There is nothing to say about this."""


class Refused(Exception):  # noqa: N818
    """The question makes no sense, or may not be asked."""

"""The agent: probes peers, answers probes, reports records. It needs no numpy."""

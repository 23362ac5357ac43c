from __future__ import annotations

import re
from dataclasses import replace

import pytest
from builders import START_NS, Host, build, ferry

from noonmark.collector.estimate import Finding, FindingKind
from noonmark.collector.present import shortened
from noonmark.collector.present_tables import (
    Column,
    finding_lines,
    headline,
    host_table,
    path_table,
    table,
    worst_first,
    wrapped,
)
from noonmark.collector.view_estimate import fleet_view

LONG = Finding(
    FindingKind.ASYMMETRIC_PATH,
    START_NS,
    "one direction takes about 26 µs longer than the other, or a clock at one end is wrong, which nobody here can tell",
    path=("quay-gate-2", "holm-db-1"),
)


def test_hosts_stand_worst_first_and_unknown_last() -> None:
    names = [host.host for host in worst_first(fleet_view(ferry()).hosts)]

    assert names == ["quay-gate-2", "holm-berth-1", "holm-db-1", "skerry-ref", "quay-ref", "skerry-gate-1"]


@pytest.mark.parametrize("width", [80, 120])
def test_every_line_fits_and_every_direction_is_a_word(width: int) -> None:
    lines = host_table(fleet_view(ferry()), width=width)

    assert max(map(len, lines)) <= width
    assert re.search(r"quay-gate-2 +measured +1\.840 ms ahead +18 µs +-210 to \+250 µs", lines[1])
    assert "behind" in lines[3]
    assert lines[1].endswith("+12.0 ppm")
    assert lines[-1].split() == ["skerry-gate-1", "no-route", "unknown"]


def test_large_offsets_known_to_the_nanosecond_still_fit() -> None:
    hosts = [Host("skerry-booking", 18_610_361, uncertainty_ns=85, below_ns=1_110, above_ns=880), Host("quay-ref", 0)]
    lines = host_table(fleet_view(build(hosts, references=["quay-ref"])))

    assert max(map(len, lines)) <= 80
    assert lines[0].endswith("DRIFT")
    assert re.search(r"^skerry-booking +measured +18\.61036 ms ahead +170 ns +-1\.11 to \+0\.88 µs +0 ppm$", lines[1])
    longer = replace(hosts[0], name="skerry-booking-database")
    without = host_table(fleet_view(build([longer, hosts[1]], references=["quay-ref"])))
    assert max(map(len, without)) <= 80
    assert "DRIFT" not in without[0]
    assert without[1].startswith("skerry-booking-database  ")


def test_long_names_are_shortened_to_fit() -> None:
    lines = host_table(fleet_view(build([Host("harbour-with-a-very-long-name-" * 3 + f"gate-{n}") for n in range(3)])))

    assert max(map(len, lines)) <= 80
    assert lines[2].split()[0].endswith("gate-1")


def test_a_table_without_rows_is_its_headings() -> None:
    assert table([Column("A"), Column("B", right=True)], []) == ["A  B"]


def test_paths_stand_largest_residual_first_with_a_sign_for_each_direction() -> None:
    lines = path_table(fleet_view(ferry()).paths)

    assert max(map(len, lines)) <= 80
    assert re.search(r"holm-db-1 +quay-gate-2 +60 +610 µs +-13\.1 µs +asymmetric", lines[1])
    assert re.search(r"quay-gate-2 +holm-db-1 +60 +610 µs +\+13\.1 µs +asymmetric", lines[2])


def test_the_headline_names_the_pair_the_references_and_counts_states() -> None:
    told = headline(fleet_view(ferry()))

    assert told == (
        "Furthest apart: quay-gate-2 is ahead of holm-db-1 by 1.84 ms (certain: no two differ by more than 2.13 ms). "
        "References: quay-ref, skerry-ref. 6 hosts: 2 reference, 2 measured, 1 stale, 1 no-route."
    )


def test_the_headline_of_an_empty_fleet_says_so() -> None:
    told = headline(fleet_view(build([])))

    assert told == "No two hosts can be compared. Reference: the fleet's own mean (none was named). 0 hosts: none."


def test_findings_are_paragraphs_that_fit() -> None:
    lines = finding_lines(fleet_view(ferry(findings=[LONG])).findings)

    assert max(map(len, lines)) <= 80
    assert lines[0].startswith("2026-11-25T06:55:03.000Z  asymmetric-path: quay-gate-2 -> holm-db-1:")
    assert " ".join(line.strip() for line in lines).endswith(LONG.text)


def test_wrapping_loses_no_word() -> None:
    text = "the quick brown fox " * 20

    assert " ".join(line.strip() for line in wrapped(text, width=33, indent="   ")).split() == text.split()


def test_wide_and_combining_characters_keep_their_columns_straight() -> None:
    # Unicode's EastAsianWidth.txt: U+65E5 and U+672C are W, two columns each; U+0308 combines.
    rows = [["日本-gate-1", "1"], ["u\u0308ber", "2"], ["quay-gate-long-name", "3"]]
    lines = table([Column("HOST", shrinks=True), Column("N")], rows)
    assert lines[1:] == ["日本-gate-1          1", "u\u0308ber                 2", "quay-gate-long-name  3"]
    assert shortened("日本日本日本-gate-1", 12) == "日…-gate-1"


def test_two_columns_of_names_give_way_alike() -> None:
    names = ("a-" * 30, "b-" * 30)
    lines = table([Column("FROM", shrinks=True), Column("TO", shrinks=True), Column("N")], [[*names, "1"]])
    sizes = [len(part) for part in lines[1].split("  ")[:2]]
    assert max(map(len, lines)) == 80
    assert abs(sizes[0] - sizes[1]) <= 1


def test_text_follows_a_narrow_terminal_and_tables_keep_eighty_columns() -> None:
    view = fleet_view(ferry())
    assert host_table(view, width=40) == host_table(view, width=80)
    assert max(map(len, wrapped(headline(view), width=40))) <= 40

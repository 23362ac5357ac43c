"""The named kinds of simulated fleets. Pure; nothing but data.

Numbers that no standard gives are common practice, no source: a rack's cable and switch take a microsecond or a few, a
city's lines about a millisecond, a continent's tens; oscillators of servers are off by some ten parts per million.
"""

from __future__ import annotations

from dataclasses import replace

from noonmark.lab.clocks import ClockModel, Discipline
from noonmark.lab.faults import Fault, FaultKind, Lie
from noonmark.lab.networks import Bursts, NetworkModel, Queue, QueueLaw, Road
from noonmark.lab.noise import PowerLaw
from noonmark.lab.scenario import References, Scenario
from noonmark.proto.records import StampSource

HARDWARE, KERNEL, USER = StampSource.HARDWARE, StampSource.KERNEL, StampSource.USER

LAN = NetworkModel()
RACK = NetworkModel(
    within_zone_ns=(800.0, 1_500.0),
    access_ns=(300.0, 600.0),
    path_asymmetry_ns=15.0,
    queue=Queue(mean_ns=400.0, idle=0.7),
    loss=0.0,
)
THREE_ZONES = NetworkModel(
    zones=3,
    between_zones_ns=(200_000.0, 900_000.0),
    path_asymmetry_ns=300.0,
    router_asymmetry_ns=20_000.0,
    queue=Queue(mean_ns=8_000.0),
)
WIDE = NetworkModel(
    zones=8,
    within_zone_ns=(20_000.0, 100_000.0),
    between_zones_ns=(2e6, 80e6),
    path_asymmetry_ns=20_000.0,
    router_asymmetry_ns=400_000.0,
    queue=Queue(QueueLaw.GAMMA, mean_ns=200_000.0, shape=0.7, idle=0.2),
    loss=0.01,
    reordering=0.01,
    reordering_ns=1_000_000.0,
    route_change_share=0.01,
    route_change_ns=1_000_000.0,
)
CROWDED = Queue(mean_ns=30_000.0, idle=0.1)
WANDERING = ClockModel(
    noise=PowerLaw(flicker_phase_ns=20.0, white_frequency=1e-8, flicker_frequency=3e-9, random_walk_frequency=3e-9),
    hvac_amplitude=4e-7,
    hvac_period_s=300.0,
    daily_amplitude=1e-6,
)
STEERED = ClockModel(offset_ns=300_000.0, drift=40e-6, discipline=Discipline())
LAN_FLEET = Scenario("kernel-lan", "Kernel stamps on a local network, lightly loaded")


def _liar(lie: Lie, size: tuple[float, float], summary: str) -> Scenario:
    fault = Fault(FaultKind.LIAR, count=1, size=size, lie=lie)
    return replace(LAN_FLEET, name=f"liar-{lie.value}", summary=summary, faults=(fault,))


def _faulty(name: str, summary: str, *faults: Fault) -> Scenario:
    return replace(LAN_FLEET, name=name, summary=summary, faults=faults)


_ALL = (
    LAN_FLEET,
    Scenario(
        "quiet-rack",
        "Hardware stamps within one rack, hardly any load",
        stamps=((1.0, HARDWARE),),
        network=RACK,
        references=References(stamps=HARDWARE),
    ),
    Scenario(
        "congested-one-way",
        "Most paths congested for a third of the time, in one direction only",
        network=replace(
            LAN, queue=replace(CROWDED, one_way_factor=5.0), bursts=(Bursts(share=0.7, level_ns=500_000.0),)
        ),
    ),
    Scenario(
        "congested-both-ways",
        "Most paths congested for a third of the time, both directions at their own times",
        network=replace(LAN, queue=CROWDED, bursts=(Bursts(share=0.7, level_ns=500_000.0, both_ways=True),)),
    ),
    Scenario(
        "congested-hosts",
        "A quarter of the hosts have a congested line in, so that all their paths err to the same side",
        network=replace(LAN, queue=CROWDED, bursts=(Bursts(Road.HOST, share=0.25, busy=0.5, level_ns=300_000.0),)),
    ),
    Scenario(
        "heavy-tails",
        "Waits with a heavy (Lomax, index 1.3) tail",
        network=replace(LAN, queue=Queue(QueueLaw.PARETO, mean_ns=60_000.0, shape=1.3, idle=0.1)),
    ),
    Scenario(
        "stretched-tails",
        "Waits of a stretched exponential (Weibull, shape 0.5), hardly ever an empty queue",
        network=replace(LAN, queue=Queue(QueueLaw.WEIBULL, mean_ns=40_000.0, shape=0.5, idle=0.02)),
    ),
    Scenario(
        "heavy-loss",
        "Forty per cent of all packets lost, so that a third of the exchanges complete",
        network=replace(LAN, queue=CROWDED, loss=0.4),
    ),
    Scenario("few-probes", "Three to six exchanges a path", network=replace(LAN, queue=CROWDED), exchanges=(3, 6)),
    Scenario(
        "mixed-stamps",
        "Hardware, kernel and user-space stamps side by side; one stamp in twenty replaced by a user-space one",
        stamps=((0.3, HARDWARE), (0.4, KERNEL), (0.3, USER)),
        fallback=0.05,
    ),
    Scenario("user-stamps", "User-space stamps everywhere", stamps=((1.0, USER),), references=References(stamps=USER)),
    Scenario("three-zones", "Three zones whose routers make shared asymmetries of some 20 µs", network=THREE_ZONES),
    Scenario("wide-area", "Eight zones 2 to 80 ms apart, asymmetric routes, some of them changing", network=WIDE),
    Scenario(
        "changing-routes",
        "A fifth of all paths between three zones take another way at some time",
        network=replace(THREE_ZONES, route_change_share=0.2),
    ),
    Scenario(
        "untidy-network",
        "Reordering, losses, and rows recorded twice",
        network=replace(LAN, reordering=0.1, loss=0.05),
        duplicates=0.02,
    ),
    Scenario("wandering-clocks", "Poor oscillators near a fan", clocks=((1.0, WANDERING),)),
    Scenario(
        "steered-clocks", "Every clock steered by a loop against a noisy distant server", clocks=((1.0, STEERED),)
    ),
    Scenario(
        "large-offsets",
        "Some clocks hours off, drifts to 200 ppm",
        clocks=((0.7, ClockModel()), (0.3, ClockModel(offset_ns=12 * 3600e9, drift=200e-6))),
    ),
    Scenario(
        "coarse-clocks",
        "Clocks that tick in microseconds beside such that tick in nanoseconds",
        clocks=((0.5, ClockModel()), (0.5, ClockModel(granularity_ns=1_000))),
    ),
    Scenario(
        "very-coarse-clocks",
        "A few clocks that tick in milliseconds, or in seconds",
        clocks=(
            (0.8, ClockModel()),
            (0.15, ClockModel(granularity_ns=1_000_000)),
            (0.05, ClockModel(granularity_ns=1_000_000_000)),
        ),
    ),
    Scenario(
        "three-references",
        "Three references, each within 100 ns of the truth, and declaring so",
        references=References(count=3, uncertainty_ns=60.0, error_ns=100.0),
    ),
    _faulty("one-step", "One clock is set within the span", Fault(FaultKind.STEP, count=1, size=(50e3, 50e6))),
    _faulty(
        "noticed-steps",
        "One clock in twenty is set, and its host says so",
        Fault(FaultKind.STEP, share=0.05, size=(50e3, 500e6), noticed=True),
    ),
    _faulty(
        "suspended",
        "A host sleeps for a while and wakes with its clock wrong",
        Fault(FaultKind.SUSPEND, count=1, size=(1e6, 5e8), noticed=True),
    ),
    _faulty(
        "frequency-change", "One clock changes its rate", Fault(FaultKind.FREQUENCY_CHANGE, count=1, size=(3e-6, 50e-6))
    ),
    _faulty(
        "slewed", "One clock is slewed at 500 ppm by some milliseconds", Fault(FaultKind.SLEW, count=1, size=(1e6, 8e6))
    ),
    _liar(Lie.RANDOM, (200e3, 20e6), "One host's stamps are shifted at random, by up to some milliseconds"),
    _liar(Lie.TWO_FACED, (200e3, 20e6), "One host shows each peer another clock"),
    _liar(Lie.LATE_TRANSMIT, (100e3, 5e6), "One host claims to send later than it does"),
    _liar(Lie.EARLY_RECEIPT, (100e3, 5e6), "One host claims to receive earlier than it does"),
    _faulty(
        "asymmetric-path",
        "One path takes much longer in one direction",
        Fault(FaultKind.ASYMMETRIC_PATH, count=1, size=(30e3, 300e3)),
    ),
    _faulty(
        "smeared-group",
        "A fifth of the hosts smear a leap second over a day; the others do not",
        Fault(FaultKind.SMEAR, share=0.2, size=(50e6, 450e6)),
    ),
    _faulty(
        "leap-missed",
        "A tenth of the hosts missed the last leap second; half of these are put right within the span",
        Fault(FaultKind.LEAP_MISSED, share=0.1),
    ),
    replace(
        LAN_FLEET,
        name="leap-second",
        summary="A leap second within the span: good clocks count a second twice, some smear it",
        faults=(Fault(FaultKind.SMEAR, share=0.1, size=(1e9, 1e9)),),
        leap_at=0.6,
    ),
    replace(LAN_FLEET, name="disconnected", summary="Two parts with no path between them, one reference", islands=2),
    replace(
        LAN_FLEET,
        name="references-disagree",
        summary="Four references that declare 100 ns, and one of them is half a millisecond off",
        references=References(count=4, uncertainty_ns=60.0, error_ns=100.0, wrong=1, wrong_ns=500_000.0),
    ),
)
KINDS: dict[str, Scenario] = {scenario.name: scenario for scenario in _ALL}
"""Every kind by its name."""

from google.protobuf.internal import containers as _containers
from google.protobuf.internal import enum_type_wrapper as _enum_type_wrapper
from google.protobuf import descriptor as _descriptor
from google.protobuf import message as _message
from collections.abc import Iterable as _Iterable, Mapping as _Mapping
from typing import ClassVar as _ClassVar, Optional as _Optional, Union as _Union

DESCRIPTOR: _descriptor.FileDescriptor

class ReferenceState(int, metaclass=_enum_type_wrapper.EnumTypeWrapper):
    __slots__ = ()
    REFERENCE_STATE_UNSPECIFIED: _ClassVar[ReferenceState]
    FREE_RUN: _ClassVar[ReferenceState]
    HOLDOVER: _ClassVar[ReferenceState]
    LOCKED: _ClassVar[ReferenceState]

class HostState(int, metaclass=_enum_type_wrapper.EnumTypeWrapper):
    __slots__ = ()
    HOST_STATE_UNSPECIFIED: _ClassVar[HostState]
    REFERENCE: _ClassVar[HostState]
    MEASURED: _ClassVar[HostState]
    NO_ROUTE: _ClassVar[HostState]
    STALE: _ClassVar[HostState]
    UNKNOWN: _ClassVar[HostState]

class OrderCertainty(int, metaclass=_enum_type_wrapper.EnumTypeWrapper):
    __slots__ = ()
    CERTAIN: _ClassVar[OrderCertainty]
    LIKELY: _ClassVar[OrderCertainty]
    OPEN: _ClassVar[OrderCertainty]

class ProbeAuthentication(int, metaclass=_enum_type_wrapper.EnumTypeWrapper):
    __slots__ = ()
    PROBE_AUTHENTICATION_UNSPECIFIED: _ClassVar[ProbeAuthentication]
    AUTHENTICATION_ACCEPTED: _ClassVar[ProbeAuthentication]
    AUTHENTICATION_REQUIRED: _ClassVar[ProbeAuthentication]
REFERENCE_STATE_UNSPECIFIED: ReferenceState
FREE_RUN: ReferenceState
HOLDOVER: ReferenceState
LOCKED: ReferenceState
HOST_STATE_UNSPECIFIED: HostState
REFERENCE: HostState
MEASURED: HostState
NO_ROUTE: HostState
STALE: HostState
UNKNOWN: HostState
CERTAIN: OrderCertainty
LIKELY: OrderCertainty
OPEN: OrderCertainty
PROBE_AUTHENTICATION_UNSPECIFIED: ProbeAuthentication
AUTHENTICATION_ACCEPTED: ProbeAuthentication
AUTHENTICATION_REQUIRED: ProbeAuthentication

class AgentMessage(_message.Message):
    __slots__ = ("hello", "batch", "clock_event", "counters", "reference", "kernel_clock")
    HELLO_FIELD_NUMBER: _ClassVar[int]
    BATCH_FIELD_NUMBER: _ClassVar[int]
    CLOCK_EVENT_FIELD_NUMBER: _ClassVar[int]
    COUNTERS_FIELD_NUMBER: _ClassVar[int]
    REFERENCE_FIELD_NUMBER: _ClassVar[int]
    KERNEL_CLOCK_FIELD_NUMBER: _ClassVar[int]
    hello: Hello
    batch: RecordBatch
    clock_event: ClockEvent
    counters: ProbeCounters
    reference: ReferenceStatus
    kernel_clock: KernelClock
    def __init__(self, hello: _Optional[_Union[Hello, _Mapping]] = ..., batch: _Optional[_Union[RecordBatch, _Mapping]] = ..., clock_event: _Optional[_Union[ClockEvent, _Mapping]] = ..., counters: _Optional[_Union[ProbeCounters, _Mapping]] = ..., reference: _Optional[_Union[ReferenceStatus, _Mapping]] = ..., kernel_clock: _Optional[_Union[KernelClock, _Mapping]] = ...) -> None: ...

class CollectorMessage(_message.Message):
    __slots__ = ("acknowledgement", "plan", "estimate", "probe_keys")
    ACKNOWLEDGEMENT_FIELD_NUMBER: _ClassVar[int]
    PLAN_FIELD_NUMBER: _ClassVar[int]
    ESTIMATE_FIELD_NUMBER: _ClassVar[int]
    PROBE_KEYS_FIELD_NUMBER: _ClassVar[int]
    acknowledgement: Acknowledgement
    plan: Plan
    estimate: HostEstimate
    probe_keys: ProbeKeys
    def __init__(self, acknowledgement: _Optional[_Union[Acknowledgement, _Mapping]] = ..., plan: _Optional[_Union[Plan, _Mapping]] = ..., estimate: _Optional[_Union[HostEstimate, _Mapping]] = ..., probe_keys: _Optional[_Union[ProbeKeys, _Mapping]] = ...) -> None: ...

class Hello(_message.Message):
    __slots__ = ("host", "instance", "version", "endpoints", "zone", "role", "boot_id", "probe_authentication")
    HOST_FIELD_NUMBER: _ClassVar[int]
    INSTANCE_FIELD_NUMBER: _ClassVar[int]
    VERSION_FIELD_NUMBER: _ClassVar[int]
    ENDPOINTS_FIELD_NUMBER: _ClassVar[int]
    ZONE_FIELD_NUMBER: _ClassVar[int]
    ROLE_FIELD_NUMBER: _ClassVar[int]
    BOOT_ID_FIELD_NUMBER: _ClassVar[int]
    PROBE_AUTHENTICATION_FIELD_NUMBER: _ClassVar[int]
    host: str
    instance: int
    version: str
    endpoints: _containers.RepeatedCompositeFieldContainer[Endpoint]
    zone: str
    role: str
    boot_id: str
    probe_authentication: ProbeAuthentication
    def __init__(self, host: _Optional[str] = ..., instance: _Optional[int] = ..., version: _Optional[str] = ..., endpoints: _Optional[_Iterable[_Union[Endpoint, _Mapping]]] = ..., zone: _Optional[str] = ..., role: _Optional[str] = ..., boot_id: _Optional[str] = ..., probe_authentication: _Optional[_Union[ProbeAuthentication, str]] = ...) -> None: ...

class Endpoint(_message.Message):
    __slots__ = ("address", "port")
    ADDRESS_FIELD_NUMBER: _ClassVar[int]
    PORT_FIELD_NUMBER: _ClassVar[int]
    address: str
    port: int
    def __init__(self, address: _Optional[str] = ..., port: _Optional[int] = ...) -> None: ...

class RecordBatch(_message.Message):
    __slots__ = ("sequence", "destinations", "destination", "t1_delta", "forward_delta", "turnaround_delta", "backward_delta", "flags", "source_epoch", "destination_epoch", "waited_ns")
    SEQUENCE_FIELD_NUMBER: _ClassVar[int]
    DESTINATIONS_FIELD_NUMBER: _ClassVar[int]
    DESTINATION_FIELD_NUMBER: _ClassVar[int]
    T1_DELTA_FIELD_NUMBER: _ClassVar[int]
    FORWARD_DELTA_FIELD_NUMBER: _ClassVar[int]
    TURNAROUND_DELTA_FIELD_NUMBER: _ClassVar[int]
    BACKWARD_DELTA_FIELD_NUMBER: _ClassVar[int]
    FLAGS_FIELD_NUMBER: _ClassVar[int]
    SOURCE_EPOCH_FIELD_NUMBER: _ClassVar[int]
    DESTINATION_EPOCH_FIELD_NUMBER: _ClassVar[int]
    WAITED_NS_FIELD_NUMBER: _ClassVar[int]
    sequence: int
    destinations: _containers.RepeatedScalarFieldContainer[str]
    destination: _containers.RepeatedScalarFieldContainer[int]
    t1_delta: _containers.RepeatedScalarFieldContainer[int]
    forward_delta: _containers.RepeatedScalarFieldContainer[int]
    turnaround_delta: _containers.RepeatedScalarFieldContainer[int]
    backward_delta: _containers.RepeatedScalarFieldContainer[int]
    flags: _containers.RepeatedScalarFieldContainer[int]
    source_epoch: _containers.RepeatedScalarFieldContainer[int]
    destination_epoch: _containers.RepeatedScalarFieldContainer[int]
    waited_ns: int
    def __init__(self, sequence: _Optional[int] = ..., destinations: _Optional[_Iterable[str]] = ..., destination: _Optional[_Iterable[int]] = ..., t1_delta: _Optional[_Iterable[int]] = ..., forward_delta: _Optional[_Iterable[int]] = ..., turnaround_delta: _Optional[_Iterable[int]] = ..., backward_delta: _Optional[_Iterable[int]] = ..., flags: _Optional[_Iterable[int]] = ..., source_epoch: _Optional[_Iterable[int]] = ..., destination_epoch: _Optional[_Iterable[int]] = ..., waited_ns: _Optional[int] = ...) -> None: ...

class ClockEvent(_message.Message):
    __slots__ = ("sequence", "kind", "epoch", "at_ns", "size_ns")
    class Kind(int, metaclass=_enum_type_wrapper.EnumTypeWrapper):
        __slots__ = ()
        KIND_UNSPECIFIED: _ClassVar[ClockEvent.Kind]
        STEP: _ClassVar[ClockEvent.Kind]
        SUSPEND: _ClassVar[ClockEvent.Kind]
    KIND_UNSPECIFIED: ClockEvent.Kind
    STEP: ClockEvent.Kind
    SUSPEND: ClockEvent.Kind
    SEQUENCE_FIELD_NUMBER: _ClassVar[int]
    KIND_FIELD_NUMBER: _ClassVar[int]
    EPOCH_FIELD_NUMBER: _ClassVar[int]
    AT_NS_FIELD_NUMBER: _ClassVar[int]
    SIZE_NS_FIELD_NUMBER: _ClassVar[int]
    sequence: int
    kind: ClockEvent.Kind
    epoch: int
    at_ns: int
    size_ns: int
    def __init__(self, sequence: _Optional[int] = ..., kind: _Optional[_Union[ClockEvent.Kind, str]] = ..., epoch: _Optional[int] = ..., at_ns: _Optional[int] = ..., size_ns: _Optional[int] = ...) -> None: ...

class ProbeCounters(_message.Message):
    __slots__ = ("sent", "completed", "lost", "rejected", "records_dropped", "peers")
    SENT_FIELD_NUMBER: _ClassVar[int]
    COMPLETED_FIELD_NUMBER: _ClassVar[int]
    LOST_FIELD_NUMBER: _ClassVar[int]
    REJECTED_FIELD_NUMBER: _ClassVar[int]
    RECORDS_DROPPED_FIELD_NUMBER: _ClassVar[int]
    PEERS_FIELD_NUMBER: _ClassVar[int]
    sent: int
    completed: int
    lost: int
    rejected: int
    records_dropped: int
    peers: _containers.RepeatedCompositeFieldContainer[PeerCounters]
    def __init__(self, sent: _Optional[int] = ..., completed: _Optional[int] = ..., lost: _Optional[int] = ..., rejected: _Optional[int] = ..., records_dropped: _Optional[int] = ..., peers: _Optional[_Iterable[_Union[PeerCounters, _Mapping]]] = ...) -> None: ...

class PeerCounters(_message.Message):
    __slots__ = ("host", "sent", "lost")
    HOST_FIELD_NUMBER: _ClassVar[int]
    SENT_FIELD_NUMBER: _ClassVar[int]
    LOST_FIELD_NUMBER: _ClassVar[int]
    host: str
    sent: int
    lost: int
    def __init__(self, host: _Optional[str] = ..., sent: _Optional[int] = ..., lost: _Optional[int] = ...) -> None: ...

class ReferenceStatus(_message.Message):
    __slots__ = ("state", "since_ns", "lasted_ns", "source", "offset_ns", "uncertainty_ns", "limit_ns", "oscillator", "sources", "notices")
    STATE_FIELD_NUMBER: _ClassVar[int]
    SINCE_NS_FIELD_NUMBER: _ClassVar[int]
    LASTED_NS_FIELD_NUMBER: _ClassVar[int]
    SOURCE_FIELD_NUMBER: _ClassVar[int]
    OFFSET_NS_FIELD_NUMBER: _ClassVar[int]
    UNCERTAINTY_NS_FIELD_NUMBER: _ClassVar[int]
    LIMIT_NS_FIELD_NUMBER: _ClassVar[int]
    OSCILLATOR_FIELD_NUMBER: _ClassVar[int]
    SOURCES_FIELD_NUMBER: _ClassVar[int]
    NOTICES_FIELD_NUMBER: _ClassVar[int]
    state: ReferenceState
    since_ns: int
    lasted_ns: int
    source: str
    offset_ns: int
    uncertainty_ns: int
    limit_ns: int
    oscillator: str
    sources: _containers.RepeatedCompositeFieldContainer[ReferenceSource]
    notices: _containers.RepeatedCompositeFieldContainer[SourceNotice]
    def __init__(self, state: _Optional[_Union[ReferenceState, str]] = ..., since_ns: _Optional[int] = ..., lasted_ns: _Optional[int] = ..., source: _Optional[str] = ..., offset_ns: _Optional[int] = ..., uncertainty_ns: _Optional[int] = ..., limit_ns: _Optional[int] = ..., oscillator: _Optional[str] = ..., sources: _Optional[_Iterable[_Union[ReferenceSource, _Mapping]]] = ..., notices: _Optional[_Iterable[_Union[SourceNotice, _Mapping]]] = ...) -> None: ...

class ReferenceSource(_message.Message):
    __slots__ = ("name", "kind", "verdict", "age_ns", "offset_ns", "uncertainty_ns", "limit_ns", "declared_uncertainty_ns", "declared_limit_ns", "leap", "notices", "figures")
    class FiguresEntry(_message.Message):
        __slots__ = ("key", "value")
        KEY_FIELD_NUMBER: _ClassVar[int]
        VALUE_FIELD_NUMBER: _ClassVar[int]
        key: str
        value: float
        def __init__(self, key: _Optional[str] = ..., value: _Optional[float] = ...) -> None: ...
    NAME_FIELD_NUMBER: _ClassVar[int]
    KIND_FIELD_NUMBER: _ClassVar[int]
    VERDICT_FIELD_NUMBER: _ClassVar[int]
    AGE_NS_FIELD_NUMBER: _ClassVar[int]
    OFFSET_NS_FIELD_NUMBER: _ClassVar[int]
    UNCERTAINTY_NS_FIELD_NUMBER: _ClassVar[int]
    LIMIT_NS_FIELD_NUMBER: _ClassVar[int]
    DECLARED_UNCERTAINTY_NS_FIELD_NUMBER: _ClassVar[int]
    DECLARED_LIMIT_NS_FIELD_NUMBER: _ClassVar[int]
    LEAP_FIELD_NUMBER: _ClassVar[int]
    NOTICES_FIELD_NUMBER: _ClassVar[int]
    FIGURES_FIELD_NUMBER: _ClassVar[int]
    name: str
    kind: str
    verdict: str
    age_ns: int
    offset_ns: int
    uncertainty_ns: int
    limit_ns: int
    declared_uncertainty_ns: int
    declared_limit_ns: int
    leap: int
    notices: _containers.RepeatedCompositeFieldContainer[SourceNotice]
    figures: _containers.ScalarMap[str, float]
    def __init__(self, name: _Optional[str] = ..., kind: _Optional[str] = ..., verdict: _Optional[str] = ..., age_ns: _Optional[int] = ..., offset_ns: _Optional[int] = ..., uncertainty_ns: _Optional[int] = ..., limit_ns: _Optional[int] = ..., declared_uncertainty_ns: _Optional[int] = ..., declared_limit_ns: _Optional[int] = ..., leap: _Optional[int] = ..., notices: _Optional[_Iterable[_Union[SourceNotice, _Mapping]]] = ..., figures: _Optional[_Mapping[str, float]] = ...) -> None: ...

class SourceNotice(_message.Message):
    __slots__ = ("kind", "text", "size_ns")
    KIND_FIELD_NUMBER: _ClassVar[int]
    TEXT_FIELD_NUMBER: _ClassVar[int]
    SIZE_NS_FIELD_NUMBER: _ClassVar[int]
    kind: str
    text: str
    size_ns: int
    def __init__(self, kind: _Optional[str] = ..., text: _Optional[str] = ..., size_ns: _Optional[int] = ...) -> None: ...

class KernelClock(_message.Message):
    __slots__ = ("synchronized", "maximum_error_ns", "estimated_error_ns", "frequency", "offset_ns", "leap", "tai_minus_utc_s", "status")
    SYNCHRONIZED_FIELD_NUMBER: _ClassVar[int]
    MAXIMUM_ERROR_NS_FIELD_NUMBER: _ClassVar[int]
    ESTIMATED_ERROR_NS_FIELD_NUMBER: _ClassVar[int]
    FREQUENCY_FIELD_NUMBER: _ClassVar[int]
    OFFSET_NS_FIELD_NUMBER: _ClassVar[int]
    LEAP_FIELD_NUMBER: _ClassVar[int]
    TAI_MINUS_UTC_S_FIELD_NUMBER: _ClassVar[int]
    STATUS_FIELD_NUMBER: _ClassVar[int]
    synchronized: bool
    maximum_error_ns: int
    estimated_error_ns: int
    frequency: float
    offset_ns: int
    leap: int
    tai_minus_utc_s: int
    status: int
    def __init__(self, synchronized: bool = ..., maximum_error_ns: _Optional[int] = ..., estimated_error_ns: _Optional[int] = ..., frequency: _Optional[float] = ..., offset_ns: _Optional[int] = ..., leap: _Optional[int] = ..., tai_minus_utc_s: _Optional[int] = ..., status: _Optional[int] = ...) -> None: ...

class Acknowledgement(_message.Message):
    __slots__ = ("sequence", "report_slowdown", "kept")
    SEQUENCE_FIELD_NUMBER: _ClassVar[int]
    REPORT_SLOWDOWN_FIELD_NUMBER: _ClassVar[int]
    KEPT_FIELD_NUMBER: _ClassVar[int]
    sequence: int
    report_slowdown: int
    kept: int
    def __init__(self, sequence: _Optional[int] = ..., report_slowdown: _Optional[int] = ..., kept: _Optional[int] = ...) -> None: ...

class Plan(_message.Message):
    __slots__ = ("version", "peers")
    VERSION_FIELD_NUMBER: _ClassVar[int]
    PEERS_FIELD_NUMBER: _ClassVar[int]
    version: int
    peers: _containers.RepeatedCompositeFieldContainer[Peer]
    def __init__(self, version: _Optional[int] = ..., peers: _Optional[_Iterable[_Union[Peer, _Mapping]]] = ...) -> None: ...

class Peer(_message.Message):
    __slots__ = ("host", "endpoint", "interval_ns", "key", "session_id")
    HOST_FIELD_NUMBER: _ClassVar[int]
    ENDPOINT_FIELD_NUMBER: _ClassVar[int]
    INTERVAL_NS_FIELD_NUMBER: _ClassVar[int]
    KEY_FIELD_NUMBER: _ClassVar[int]
    SESSION_ID_FIELD_NUMBER: _ClassVar[int]
    host: str
    endpoint: Endpoint
    interval_ns: int
    key: bytes
    session_id: int
    def __init__(self, host: _Optional[str] = ..., endpoint: _Optional[_Union[Endpoint, _Mapping]] = ..., interval_ns: _Optional[int] = ..., key: _Optional[bytes] = ..., session_id: _Optional[int] = ...) -> None: ...

class ProbeKeys(_message.Message):
    __slots__ = ("keys",)
    KEYS_FIELD_NUMBER: _ClassVar[int]
    keys: _containers.RepeatedCompositeFieldContainer[ProbeKey]
    def __init__(self, keys: _Optional[_Iterable[_Union[ProbeKey, _Mapping]]] = ...) -> None: ...

class ProbeKey(_message.Message):
    __slots__ = ("asker", "session_id", "key")
    ASKER_FIELD_NUMBER: _ClassVar[int]
    SESSION_ID_FIELD_NUMBER: _ClassVar[int]
    KEY_FIELD_NUMBER: _ClassVar[int]
    asker: str
    session_id: int
    key: bytes
    def __init__(self, asker: _Optional[str] = ..., session_id: _Optional[int] = ..., key: _Optional[bytes] = ...) -> None: ...

class HostEstimate(_message.Message):
    __slots__ = ("host", "state", "at_ns", "offset_ns", "drift", "uncertainty_ns", "lower_ns", "upper_ns", "heard_ns", "zone", "role", "drift_uncertainty", "reference_state", "claimed_error_ns", "resting_on", "budget", "budget_ns", "budget_answer")
    HOST_FIELD_NUMBER: _ClassVar[int]
    STATE_FIELD_NUMBER: _ClassVar[int]
    AT_NS_FIELD_NUMBER: _ClassVar[int]
    OFFSET_NS_FIELD_NUMBER: _ClassVar[int]
    DRIFT_FIELD_NUMBER: _ClassVar[int]
    UNCERTAINTY_NS_FIELD_NUMBER: _ClassVar[int]
    LOWER_NS_FIELD_NUMBER: _ClassVar[int]
    UPPER_NS_FIELD_NUMBER: _ClassVar[int]
    HEARD_NS_FIELD_NUMBER: _ClassVar[int]
    ZONE_FIELD_NUMBER: _ClassVar[int]
    ROLE_FIELD_NUMBER: _ClassVar[int]
    DRIFT_UNCERTAINTY_FIELD_NUMBER: _ClassVar[int]
    REFERENCE_STATE_FIELD_NUMBER: _ClassVar[int]
    CLAIMED_ERROR_NS_FIELD_NUMBER: _ClassVar[int]
    RESTING_ON_FIELD_NUMBER: _ClassVar[int]
    BUDGET_FIELD_NUMBER: _ClassVar[int]
    BUDGET_NS_FIELD_NUMBER: _ClassVar[int]
    BUDGET_ANSWER_FIELD_NUMBER: _ClassVar[int]
    host: str
    state: HostState
    at_ns: int
    offset_ns: int
    drift: float
    uncertainty_ns: int
    lower_ns: int
    upper_ns: int
    heard_ns: int
    zone: str
    role: str
    drift_uncertainty: float
    reference_state: str
    claimed_error_ns: int
    resting_on: str
    budget: str
    budget_ns: int
    budget_answer: str
    def __init__(self, host: _Optional[str] = ..., state: _Optional[_Union[HostState, str]] = ..., at_ns: _Optional[int] = ..., offset_ns: _Optional[int] = ..., drift: _Optional[float] = ..., uncertainty_ns: _Optional[int] = ..., lower_ns: _Optional[int] = ..., upper_ns: _Optional[int] = ..., heard_ns: _Optional[int] = ..., zone: _Optional[str] = ..., role: _Optional[str] = ..., drift_uncertainty: _Optional[float] = ..., reference_state: _Optional[str] = ..., claimed_error_ns: _Optional[int] = ..., resting_on: _Optional[str] = ..., budget: _Optional[str] = ..., budget_ns: _Optional[int] = ..., budget_answer: _Optional[str] = ...) -> None: ...

class PathEstimate(_message.Message):
    __slots__ = ("source", "destination", "probes", "min_round_trip_ns", "residual_ns", "state")
    SOURCE_FIELD_NUMBER: _ClassVar[int]
    DESTINATION_FIELD_NUMBER: _ClassVar[int]
    PROBES_FIELD_NUMBER: _ClassVar[int]
    MIN_ROUND_TRIP_NS_FIELD_NUMBER: _ClassVar[int]
    RESIDUAL_NS_FIELD_NUMBER: _ClassVar[int]
    STATE_FIELD_NUMBER: _ClassVar[int]
    source: str
    destination: str
    probes: int
    min_round_trip_ns: int
    residual_ns: int
    state: str
    def __init__(self, source: _Optional[str] = ..., destination: _Optional[str] = ..., probes: _Optional[int] = ..., min_round_trip_ns: _Optional[int] = ..., residual_ns: _Optional[int] = ..., state: _Optional[str] = ...) -> None: ...

class Finding(_message.Message):
    __slots__ = ("kind", "host", "source", "destination", "at_ns", "size_ns", "text", "evidence")
    class EvidenceEntry(_message.Message):
        __slots__ = ("key", "value")
        KEY_FIELD_NUMBER: _ClassVar[int]
        VALUE_FIELD_NUMBER: _ClassVar[int]
        key: str
        value: float
        def __init__(self, key: _Optional[str] = ..., value: _Optional[float] = ...) -> None: ...
    KIND_FIELD_NUMBER: _ClassVar[int]
    HOST_FIELD_NUMBER: _ClassVar[int]
    SOURCE_FIELD_NUMBER: _ClassVar[int]
    DESTINATION_FIELD_NUMBER: _ClassVar[int]
    AT_NS_FIELD_NUMBER: _ClassVar[int]
    SIZE_NS_FIELD_NUMBER: _ClassVar[int]
    TEXT_FIELD_NUMBER: _ClassVar[int]
    EVIDENCE_FIELD_NUMBER: _ClassVar[int]
    kind: str
    host: str
    source: str
    destination: str
    at_ns: int
    size_ns: int
    text: str
    evidence: _containers.ScalarMap[str, float]
    def __init__(self, kind: _Optional[str] = ..., host: _Optional[str] = ..., source: _Optional[str] = ..., destination: _Optional[str] = ..., at_ns: _Optional[int] = ..., size_ns: _Optional[int] = ..., text: _Optional[str] = ..., evidence: _Optional[_Mapping[str, float]] = ...) -> None: ...

class FleetRequest(_message.Message):
    __slots__ = ("at_ns", "paths")
    AT_NS_FIELD_NUMBER: _ClassVar[int]
    PATHS_FIELD_NUMBER: _ClassVar[int]
    at_ns: int
    paths: bool
    def __init__(self, at_ns: _Optional[int] = ..., paths: bool = ...) -> None: ...

class FleetReply(_message.Message):
    __slots__ = ("at_ns", "references", "hosts", "paths", "findings", "notes")
    AT_NS_FIELD_NUMBER: _ClassVar[int]
    REFERENCES_FIELD_NUMBER: _ClassVar[int]
    HOSTS_FIELD_NUMBER: _ClassVar[int]
    PATHS_FIELD_NUMBER: _ClassVar[int]
    FINDINGS_FIELD_NUMBER: _ClassVar[int]
    NOTES_FIELD_NUMBER: _ClassVar[int]
    at_ns: int
    references: _containers.RepeatedScalarFieldContainer[str]
    hosts: _containers.RepeatedCompositeFieldContainer[HostEstimate]
    paths: _containers.RepeatedCompositeFieldContainer[PathEstimate]
    findings: _containers.RepeatedCompositeFieldContainer[Finding]
    notes: _containers.RepeatedScalarFieldContainer[str]
    def __init__(self, at_ns: _Optional[int] = ..., references: _Optional[_Iterable[str]] = ..., hosts: _Optional[_Iterable[_Union[HostEstimate, _Mapping]]] = ..., paths: _Optional[_Iterable[_Union[PathEstimate, _Mapping]]] = ..., findings: _Optional[_Iterable[_Union[Finding, _Mapping]]] = ..., notes: _Optional[_Iterable[str]] = ...) -> None: ...

class OffsetRequest(_message.Message):
    __slots__ = ("a", "b", "at_ns")
    A_FIELD_NUMBER: _ClassVar[int]
    B_FIELD_NUMBER: _ClassVar[int]
    AT_NS_FIELD_NUMBER: _ClassVar[int]
    a: str
    b: str
    at_ns: int
    def __init__(self, a: _Optional[str] = ..., b: _Optional[str] = ..., at_ns: _Optional[int] = ...) -> None: ...

class OffsetReply(_message.Message):
    __slots__ = ("a", "b", "at_ns", "known", "reason", "offset_ns", "uncertainty_ns", "lower_ns", "upper_ns", "drift", "measured_ns", "findings")
    A_FIELD_NUMBER: _ClassVar[int]
    B_FIELD_NUMBER: _ClassVar[int]
    AT_NS_FIELD_NUMBER: _ClassVar[int]
    KNOWN_FIELD_NUMBER: _ClassVar[int]
    REASON_FIELD_NUMBER: _ClassVar[int]
    OFFSET_NS_FIELD_NUMBER: _ClassVar[int]
    UNCERTAINTY_NS_FIELD_NUMBER: _ClassVar[int]
    LOWER_NS_FIELD_NUMBER: _ClassVar[int]
    UPPER_NS_FIELD_NUMBER: _ClassVar[int]
    DRIFT_FIELD_NUMBER: _ClassVar[int]
    MEASURED_NS_FIELD_NUMBER: _ClassVar[int]
    FINDINGS_FIELD_NUMBER: _ClassVar[int]
    a: str
    b: str
    at_ns: int
    known: bool
    reason: str
    offset_ns: int
    uncertainty_ns: int
    lower_ns: int
    upper_ns: int
    drift: float
    measured_ns: int
    findings: _containers.RepeatedCompositeFieldContainer[Finding]
    def __init__(self, a: _Optional[str] = ..., b: _Optional[str] = ..., at_ns: _Optional[int] = ..., known: bool = ..., reason: _Optional[str] = ..., offset_ns: _Optional[int] = ..., uncertainty_ns: _Optional[int] = ..., lower_ns: _Optional[int] = ..., upper_ns: _Optional[int] = ..., drift: _Optional[float] = ..., measured_ns: _Optional[int] = ..., findings: _Optional[_Iterable[_Union[Finding, _Mapping]]] = ...) -> None: ...

class CourseRequest(_message.Message):
    __slots__ = ("a", "b", "since_ns", "until_ns", "step_ns")
    A_FIELD_NUMBER: _ClassVar[int]
    B_FIELD_NUMBER: _ClassVar[int]
    SINCE_NS_FIELD_NUMBER: _ClassVar[int]
    UNTIL_NS_FIELD_NUMBER: _ClassVar[int]
    STEP_NS_FIELD_NUMBER: _ClassVar[int]
    a: str
    b: str
    since_ns: int
    until_ns: int
    step_ns: int
    def __init__(self, a: _Optional[str] = ..., b: _Optional[str] = ..., since_ns: _Optional[int] = ..., until_ns: _Optional[int] = ..., step_ns: _Optional[int] = ...) -> None: ...

class FindingsRequest(_message.Message):
    __slots__ = ("since_ns", "until_ns", "host")
    SINCE_NS_FIELD_NUMBER: _ClassVar[int]
    UNTIL_NS_FIELD_NUMBER: _ClassVar[int]
    HOST_FIELD_NUMBER: _ClassVar[int]
    since_ns: int
    until_ns: int
    host: str
    def __init__(self, since_ns: _Optional[int] = ..., until_ns: _Optional[int] = ..., host: _Optional[str] = ...) -> None: ...

class FindingsReply(_message.Message):
    __slots__ = ("findings",)
    FINDINGS_FIELD_NUMBER: _ClassVar[int]
    findings: _containers.RepeatedCompositeFieldContainer[Finding]
    def __init__(self, findings: _Optional[_Iterable[_Union[Finding, _Mapping]]] = ...) -> None: ...

class SpanRequest(_message.Message):
    __slots__ = ()
    def __init__(self) -> None: ...

class SpanReply(_message.Message):
    __slots__ = ("now_ns", "first_ns", "last_ns", "hosts")
    NOW_NS_FIELD_NUMBER: _ClassVar[int]
    FIRST_NS_FIELD_NUMBER: _ClassVar[int]
    LAST_NS_FIELD_NUMBER: _ClassVar[int]
    HOSTS_FIELD_NUMBER: _ClassVar[int]
    now_ns: int
    first_ns: int
    last_ns: int
    hosts: _containers.RepeatedScalarFieldContainer[str]
    def __init__(self, now_ns: _Optional[int] = ..., first_ns: _Optional[int] = ..., last_ns: _Optional[int] = ..., hosts: _Optional[_Iterable[str]] = ...) -> None: ...

class OrderRequest(_message.Message):
    __slots__ = ("hosts", "host", "stamp_ns", "resolution_ns", "likely")
    HOSTS_FIELD_NUMBER: _ClassVar[int]
    HOST_FIELD_NUMBER: _ClassVar[int]
    STAMP_NS_FIELD_NUMBER: _ClassVar[int]
    RESOLUTION_NS_FIELD_NUMBER: _ClassVar[int]
    LIKELY_FIELD_NUMBER: _ClassVar[int]
    hosts: _containers.RepeatedScalarFieldContainer[str]
    host: _containers.RepeatedScalarFieldContainer[int]
    stamp_ns: _containers.RepeatedScalarFieldContainer[int]
    resolution_ns: _containers.RepeatedScalarFieldContainer[int]
    likely: float
    def __init__(self, hosts: _Optional[_Iterable[str]] = ..., host: _Optional[_Iterable[int]] = ..., stamp_ns: _Optional[_Iterable[int]] = ..., resolution_ns: _Optional[_Iterable[int]] = ..., likely: _Optional[float] = ...) -> None: ...

class OrderReply(_message.Message):
    __slots__ = ("permutation", "corrected_ns", "uncertainty_ns", "earliest_ns", "latest_ns", "known", "certainty", "probability", "group")
    PERMUTATION_FIELD_NUMBER: _ClassVar[int]
    CORRECTED_NS_FIELD_NUMBER: _ClassVar[int]
    UNCERTAINTY_NS_FIELD_NUMBER: _ClassVar[int]
    EARLIEST_NS_FIELD_NUMBER: _ClassVar[int]
    LATEST_NS_FIELD_NUMBER: _ClassVar[int]
    KNOWN_FIELD_NUMBER: _ClassVar[int]
    CERTAINTY_FIELD_NUMBER: _ClassVar[int]
    PROBABILITY_FIELD_NUMBER: _ClassVar[int]
    GROUP_FIELD_NUMBER: _ClassVar[int]
    permutation: _containers.RepeatedScalarFieldContainer[int]
    corrected_ns: _containers.RepeatedScalarFieldContainer[int]
    uncertainty_ns: _containers.RepeatedScalarFieldContainer[float]
    earliest_ns: _containers.RepeatedScalarFieldContainer[int]
    latest_ns: _containers.RepeatedScalarFieldContainer[int]
    known: _containers.RepeatedScalarFieldContainer[bool]
    certainty: _containers.RepeatedScalarFieldContainer[OrderCertainty]
    probability: _containers.RepeatedScalarFieldContainer[float]
    group: _containers.RepeatedScalarFieldContainer[int]
    def __init__(self, permutation: _Optional[_Iterable[int]] = ..., corrected_ns: _Optional[_Iterable[int]] = ..., uncertainty_ns: _Optional[_Iterable[float]] = ..., earliest_ns: _Optional[_Iterable[int]] = ..., latest_ns: _Optional[_Iterable[int]] = ..., known: _Optional[_Iterable[bool]] = ..., certainty: _Optional[_Iterable[_Union[OrderCertainty, str]]] = ..., probability: _Optional[_Iterable[float]] = ..., group: _Optional[_Iterable[int]] = ...) -> None: ...

class WaitRequest(_message.Message):
    __slots__ = ("host", "now_ns", "stamp_ns", "resolution_ns", "among")
    HOST_FIELD_NUMBER: _ClassVar[int]
    NOW_NS_FIELD_NUMBER: _ClassVar[int]
    STAMP_NS_FIELD_NUMBER: _ClassVar[int]
    RESOLUTION_NS_FIELD_NUMBER: _ClassVar[int]
    AMONG_FIELD_NUMBER: _ClassVar[int]
    host: str
    now_ns: int
    stamp_ns: int
    resolution_ns: int
    among: _containers.RepeatedScalarFieldContainer[str]
    def __init__(self, host: _Optional[str] = ..., now_ns: _Optional[int] = ..., stamp_ns: _Optional[int] = ..., resolution_ns: _Optional[int] = ..., among: _Optional[_Iterable[str]] = ...) -> None: ...

class WaitReply(_message.Message):
    __slots__ = ("known", "reason", "wait_ns")
    KNOWN_FIELD_NUMBER: _ClassVar[int]
    REASON_FIELD_NUMBER: _ClassVar[int]
    WAIT_NS_FIELD_NUMBER: _ClassVar[int]
    known: bool
    reason: str
    wait_ns: int
    def __init__(self, known: bool = ..., reason: _Optional[str] = ..., wait_ns: _Optional[int] = ...) -> None: ...

class EnrolRequest(_message.Message):
    __slots__ = ("token", "name", "request")
    TOKEN_FIELD_NUMBER: _ClassVar[int]
    NAME_FIELD_NUMBER: _ClassVar[int]
    REQUEST_FIELD_NUMBER: _ClassVar[int]
    token: str
    name: str
    request: bytes
    def __init__(self, token: _Optional[str] = ..., name: _Optional[str] = ..., request: _Optional[bytes] = ...) -> None: ...

class RenewRequest(_message.Message):
    __slots__ = ("request",)
    REQUEST_FIELD_NUMBER: _ClassVar[int]
    request: bytes
    def __init__(self, request: _Optional[bytes] = ...) -> None: ...

class EnrolReply(_message.Message):
    __slots__ = ("certificate", "authority", "expires_s", "role", "name")
    CERTIFICATE_FIELD_NUMBER: _ClassVar[int]
    AUTHORITY_FIELD_NUMBER: _ClassVar[int]
    EXPIRES_S_FIELD_NUMBER: _ClassVar[int]
    ROLE_FIELD_NUMBER: _ClassVar[int]
    NAME_FIELD_NUMBER: _ClassVar[int]
    certificate: bytes
    authority: bytes
    expires_s: int
    role: str
    name: str
    def __init__(self, certificate: _Optional[bytes] = ..., authority: _Optional[bytes] = ..., expires_s: _Optional[int] = ..., role: _Optional[str] = ..., name: _Optional[str] = ...) -> None: ...

class IssueRequest(_message.Message):
    __slots__ = ("name", "role", "valid_ns")
    NAME_FIELD_NUMBER: _ClassVar[int]
    ROLE_FIELD_NUMBER: _ClassVar[int]
    VALID_NS_FIELD_NUMBER: _ClassVar[int]
    name: str
    role: str
    valid_ns: int
    def __init__(self, name: _Optional[str] = ..., role: _Optional[str] = ..., valid_ns: _Optional[int] = ...) -> None: ...

class IssueReply(_message.Message):
    __slots__ = ("token", "expires_s")
    TOKEN_FIELD_NUMBER: _ClassVar[int]
    EXPIRES_S_FIELD_NUMBER: _ClassVar[int]
    token: str
    expires_s: int
    def __init__(self, token: _Optional[str] = ..., expires_s: _Optional[int] = ...) -> None: ...

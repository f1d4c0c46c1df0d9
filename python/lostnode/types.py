"""The dictionaries of this package, as types. Made by python/make-types from docs/schema."""

from __future__ import annotations

import sys
from typing import Any, Literal, TypedDict, Union

if sys.version_info >= (3, 11):
    from typing import NotRequired
else:
    from typing_extensions import NotRequired


ReportBasis = Literal['roster', 'address', 'sender_field', 'clock', 'shared_silence']


class ReportBitRate(TypedDict):
    bits_per_second: Union[float, None]
    confidence: Union[float, None]
    source: ReportRateSource


class ReportBlame(TypedDict):
    blamed: str
    codes: list[str]
    reporters: list[str]
    sentence: str
    verdict: ReportBlameVerdict


ReportBlameVerdict = Literal['confirmed', 'likely', 'contradicted', 'open']


class ReportCapture(TypedDict):
    copied_frames: int
    end: Union[float, None]
    first_rejected: Union[ReportRejected, None]
    format: str
    frames: int
    lines: int
    out_of_order_frames: int
    path: str
    rejected_lines: int
    start: Union[float, None]
    stray_stamps: int
    thinned: bool
    xl_frames: int


ReportCause = Literal['lost_power', 'open_circuit', 'lost_address', 'bus_fault', 'bus_sleep', 'capture_gap', 'switched_off', 'unknown']


class ReportCaution(TypedDict):
    """A caution with all that is known of it; elsewhere its text stands alone."""

    brief: str
    id: str
    source: str
    text: str


ReportChange = Literal['rises', 'falls', 'is', 'above', 'below']


class ReportChannel(TypedDict):
    bit_rate: ReportBitRate
    error_events: list[ReportErrorEvent]
    error_frames: int
    frames: int
    load: Union[ReportLoad, None]
    name: str
    out_of_order_frames: int


class ReportCode(TypedDict):
    active_times: Union[int, None]
    blames: Union[str, None]
    cleared_at: Union[float, None]
    code: str
    event: Union[str, None]
    failure_type: Union[str, None]
    fault_counter: Union[int, None]
    first_seen: Union[float, None]
    gone_at: Union[float, None]
    inactive_since: Union[float, None]
    last_seen: Union[float, None]
    lists: list[str]
    meaning: Union[str, None]
    occurrences: Union[int, None]
    old_conversion: bool
    reporter: str
    returned: bool
    severity: Union[str, None]
    status: list[str]
    story: str
    tested_since_clear: Union[bool, None]


class ReportConfirmed(TypedDict):
    holds: bool
    losses: int
    losses_with: int
    p: float


class ReportConversations(TypedDict):
    complete_messages: int
    ignored_data_units: int
    incomplete_messages: list[ReportCount]
    modules: list[ReportTalk]


class ReportCount(TypedDict):
    count: int
    reason: str


ReportCountedFrom = Literal['wake', 'last_loss']


class ReportCounter(TypedDict):
    bit: int
    byte: int
    width: int


ReportDeviation = Literal['new', 'too_slow', 'too_fast']


class ReportDeviationJson(TypedDict):
    channel: str
    id: str
    kind: ReportDeviation
    text: str


class ReportDip(TypedDict):
    below: float
    end: float
    least: float
    outages: list[int]
    start: float


ReportDoubt = Literal['sender_unknown', 'key_or_supply', 'near_the_end', 'recording_chopped', 'pause_or_stop', 'engine_start', 'came_late', 'in_another_drive']


class ReportDrive(TypedDict):
    captures: list[int]
    channels: list[ReportChannel]
    end: Union[float, None]
    losses: int
    start: Union[float, None]
    verdict: ReportVerdict


ReportElement = TypedDict(
    'ReportElement',
    {
        'access': 'Union[str, None]',
        'kind': 'str',
        'minutes': 'float',
        'name': 'str',
        'others': 'list[str]',
        'probability': 'float',
        'with': 'Union[str, None]',
    },
)

ReportErrorEvent = TypedDict(
    'ReportErrorEvent',
    {
        'class': 'str',
        'destroyed_id': 'Union[str, None]',
        'detail': 'str',
        'time': 'float',
    },
)

ReportFinding = TypedDict(
    'ReportFinding',
    {
        'benign': 'bool',
        'cautions': 'list[str]',
        'class': 'str',
        'codes_explained': 'list[str]',
        'done': 'list[str]',
        'element': 'Union[ReportElement, None]',
        'elements_alike': 'list[str]',
        'evidence': 'list[str]',
        'explanation': 'str',
        'harness': 'list[str]',
        'lamps': 'int',
        'next_tests': 'list[ReportTest]',
        'nodes': 'list[str]',
        'probability': 'float',
        'rank': 'int',
        'scope': 'ReportFindingScope',
        'standing': 'ReportStanding',
        'title': 'str',
        'uncalibrated': 'float',
    },
)

ReportFindingScope = Literal['node', 'branch', 'bus', 'vehicle', 'capture']


class ReportFreezeFrame(TypedDict):
    code: Union[str, None]
    frame: int
    module: str
    values: list[str]


class ReportIdentifier(TypedDict):
    alive_counter: Union[ReportCounter, None]
    channel: str
    drift_error_ppm: Union[float, None]
    drift_ppm: Union[float, None]
    extended: bool
    first: Union[float, None]
    frames: int
    id: str
    jitter_s: Union[float, None]
    kind: ReportIdentifierKind
    last: Union[float, None]
    longest_silence_s: Union[float, None]
    node: Union[str, None]
    period_s: Union[float, None]
    timeout_s: Union[float, None]


ReportIdentifierKind = Literal['periodic', 'event']


class ReportIdentity(TypedDict):
    calibration_ids: list[str]
    module: str
    name: Union[str, None]
    others: list[ReportOther]
    part_number: Union[str, None]
    problems: list[str]
    source: str
    verification_numbers: list[str]
    vin: Union[str, None]


class ReportJob(TypedDict):
    """What the job file says."""

    done: list[str]
    readings: list[str]
    title: Union[str, None]
    vehicle: Union[str, None]


class ReportKeptOut(TypedDict):
    path: str
    vehicle_vin: str
    vin: str


class ReportLamps(TypedDict):
    malfunction: bool
    module: str
    protect: bool
    stop: bool
    warning: bool


ReportLeadKind = Literal['precursor', 'consequence']


class ReportLoad(TypedDict):
    bin_s: float
    mean: float
    peak: float
    peak_at: float
    series: list[float]
    start: float


class ReportLossTime(TypedDict):
    after_s: list[float]
    losses: int
    losses_with: int
    node: Union[str, None]
    nodes: list[str]
    p: float
    sentence: str
    since: ReportCountedFrom


class ReportMark(TypedDict):
    losses: int
    losses_within_2s: int
    p: float
    sentence: str
    text: str
    time: float


class ReportMonitor(TypedDict):
    complete: bool
    module: str
    monitor: str


class ReportNode(TypedDict):
    answers: list[str]
    basis: list[ReportBasis]
    channel: str
    confidence: float
    heard: bool
    ids: list[str]
    missed_as: list[str]
    name: str


class ReportOther(TypedDict):
    value: str
    what: str


class ReportOutage(TypedDict):
    benign: bool
    capture: NotRequired[Union[int, None]]
    cause: ReportCause
    channel: Union[str, None]
    doubt: Union[ReportDoubt, None]
    drive: NotRequired[Union[int, None]]
    duration_s: float
    end: float
    evidence: list[str]
    ids: list[str]
    never_heard: bool
    nodes: list[str]
    ongoing_at_end: bool
    scope: ReportScope
    start: float
    values: NotRequired[list[ReportValue]]


class ReportPlace(TypedDict):
    """A part of the harness that explains something, over all findings."""

    access: Union[str, None]
    feeds: list[str]
    kind: str
    minutes: float
    name: str
    probability: float


class ReportPlaceJson2(TypedDict):
    bit: Union[int, None]
    byte: int
    channel: str
    id: str
    pid: Union[int, None]
    width: int


class ReportPrecursor(TypedDict):
    apart_s: list[float]
    bit: Union[int, None]
    byte: int
    change: ReportChange
    channel: str
    confirmed: Union[ReportConfirmed, None]
    elsewhere: int
    high_first: Union[bool, None]
    id: str
    kind: ReportLeadKind
    losses: int
    losses_with: int
    node: Union[str, None]
    nodes: list[str]
    p: float
    pid: Union[int, None]
    sentence: str
    together: list[ReportPlaceJson2]
    value: Union[int, None]
    width: int
    within_s: float


ReportRateSource = Literal['given', 'inferred', 'unknown']


class ReportRejected(TypedDict):
    line: int
    reason: str


ReportScope = Literal['identifier', 'node', 'branch', 'bus', 'capture']


class ReportSignal(TypedDict):
    """A signal over time."""

    bin_s: float
    channel: str
    max: float
    min: float
    module: str
    name: str
    series: list[list[float]]
    spn: int
    unit: str


ReportStanding = Literal['present', 'remembered', 'foreign', 'benign']


class ReportTalk(TypedDict):
    late: int
    module: str
    negative: list[ReportCount]
    pending: int
    positive: int
    slowest_s: Union[float, None]
    unanswered: int


class ReportTest(TypedDict):
    access: str
    cautions: list[str]
    element: Union[str, None]
    findings: list[int]
    finds: float
    how: str
    minutes: float
    reading_expected: str
    source: str
    title: str
    to_find: Union[str, None]
    to_name: Union[str, None]
    why: str


class ReportTestResult(TypedDict):
    high: float
    low: float
    module: str
    monitor: str
    passed: bool
    test: str
    unit: Union[str, None]
    value: float


class ReportValue(TypedDict):
    """A signal when an outage began."""

    age_s: float
    name: str
    spn: int
    unit: str
    value: float


class ReportVehicle(TypedDict):
    lamps: list[ReportLamps]
    mil: Union[bool, None]
    monitors: list[ReportMonitor]
    supply_voltage: Union[ReportVoltage, None]
    vin: Union[str, None]
    vin_conflicts: list[ReportVinConflict]


ReportVerdict = Literal['nothing_lost', 'something_lost', 'cannot_tell']


class ReportVinConflict(TypedDict):
    module: str
    vin: str


class ReportVoltage(TypedDict):
    dips: list[ReportDip]
    max: float
    min: float
    min_at: Union[float, None]
    series: list[list[float]]


class Report(TypedDict):
    """The whole answer."""

    blame: list[ReportBlame]
    captures: list[ReportCapture]
    cautions: list[ReportCaution]
    channels: list[ReportChannel]
    codes: list[ReportCode]
    conversations: ReportConversations
    deviations: list[ReportDeviationJson]
    doubts: list[str]
    drives: NotRequired[list[ReportDrive]]
    elements: list[ReportPlace]
    findings: list[ReportFinding]
    freeze_frames: list[ReportFreezeFrame]
    harness_description: Union[str, None]
    headline: str
    identifiers: list[ReportIdentifier]
    identity: list[ReportIdentity]
    job: Union[ReportJob, None]
    just_before: list[str]
    kept_out: NotRequired[list[ReportKeptOut]]
    loss_times: list[ReportLossTime]
    marks: list[ReportMark]
    next_tests: list[ReportTest]
    no_class: Union[float, None]
    nodes: list[ReportNode]
    none_of_these: Union[str, None]
    notices: list[str]
    outages: list[ReportOutage]
    precursors: list[ReportPrecursor]
    schema: str
    signals: list[ReportSignal]
    test_results: list[ReportTestResult]
    vehicle: ReportVehicle
    verdict: ReportVerdict


class ComparisonCodeChange(TypedDict):
    change: str
    code: str
    meaning: Union[str, None]
    reporter: str


class ComparisonDoubt(TypedDict):
    """What makes it doubtful that the captures belong together."""

    kind: str
    leaves_out: bool
    sentence: str


class ComparisonElement(TypedDict):
    feeds: list[str]
    lost_again: list[str]
    name: str
    probability: float
    since: ComparisonSince


class ComparisonMonitorChange(TypedDict):
    complete_after: Union[bool, None]
    complete_before: Union[bool, None]
    module: str
    monitor: str


ComparisonOpen = Literal['not_recorded', 'one_mode', 'hardly_heard', 'part_not_heard', 'part_silent_to_the_end', 'perhaps_again']


class ComparisonRow(TypedDict):
    episodes_after: int
    episodes_before: int
    joined_within_s: float
    losses_after: int
    losses_before: int
    name: str
    needed_s: Union[float, None]
    never_heard_before: bool
    open: Union[ComparisonOpen, None]
    p: Union[float, None]
    p_e_test: Union[float, None]
    rate_ratio: Union[float, None]
    rate_ratio_high: Union[float, None]
    rate_ratio_low: Union[float, None]
    sentence: str
    state: ComparisonState
    unheard_after: list[str]
    unheard_before: int
    watched_after_s: float
    watched_before_s: float


ComparisonSince = Literal['not_told', 'held', 'not_sure', 'lost_again', 'some_lost_again', 'newly_lost']


ComparisonState = Literal['nothing_lost', 'held', 'back', 'not_sure', 'still_lost', 'newly_lost']


class Comparison(TypedDict):
    after: list[str]
    before: list[str]
    codes: list[ComparisonCodeChange]
    doubts: list[ComparisonDoubt]
    element: Union[ComparisonElement, None]
    losses: list[ComparisonRow]
    monitors: list[ComparisonMonitorChange]
    notices: list[str]
    schema: str
    sentence: str
    verdict: ComparisonState
    watched_after_s: float
    watched_before_s: float


class TruthTruthEvent(TypedDict):
    """One trouble as it happened."""

    channel: Union[str, None]
    """Channel, where one is concerned."""
    end: float
    """End, seconds since the epoch; for nodes that start anew, without their time to start."""
    kind: str
    """Kind as in the scenario."""
    nodes: list[str]
    """Nodes that could not be heard."""
    start: float
    """Beginning, seconds since the epoch."""


class TruthTruthNode(TypedDict):
    """A node as it was simulated."""

    channel: str
    """Its channel."""
    drift_ppm: float
    """Its clock."""
    ids: list[str]
    """Its identifiers, as in reports."""
    name: str
    """Its name."""


class TruthTruthRecording(TypedDict):
    """What the recorder did to what was on the bus."""

    clock_steps: list[list[Union[float]]]
    """When its clock stepped, in true seconds since the epoch, and by how many seconds."""
    effects: list[str]
    """Names of the effects, as the keys of `[recorder]`."""
    frames_on_bus: int
    """Frames that it could have recorded."""
    frames_written: int
    """Frames that it wrote."""
    pauses: list[list[Union[float]]]
    """Times in which it took nothing: beginning and end, seconds since the epoch."""


class TruthTruthSignal(TypedDict):
    """A switch, or what a node says because of a loss."""

    carried: list[str]
    """Where it is carried, as `0x1B4:2.5`."""
    consequence: bool
    """Whether it is because of a loss."""
    name: str
    """Its name."""
    on: list[list[Union[float]]]
    """When it was 1: beginnings and ends, seconds since the epoch."""


class TruthTruthSilence(TypedDict):
    """A time in which identifiers were not sent or did not get through."""

    cause: NotRequired[Union[str, None]]
    """For a loss, and for the key-off of a trouble: the kind of trouble."""
    channel: str
    """Channel."""
    end: float
    """End, seconds since the epoch, with the time to boot; up to a period before the first frame."""
    ids: list[str]
    """Identifiers, as in reports: all of the node, or the one that pauses."""
    node: NotRequired[Union[str, None]]
    """The node; none where the whole bus sleeps."""
    start: float
    """From when on nothing was sent, seconds since the epoch."""
    wakes: NotRequired[int]
    """Short wakes within, in which its identifiers were heard."""
    what: TruthWhat
    """What it is."""


TruthWhat = Union[Literal['loss'], Literal['key_off'], Literal['sleep'], Literal['starter'], Literal['mode'], Literal['pause'], Literal['multiplex']]


class Truth(TypedDict):
    """The ground truth beside a capture, written as JSON."""

    events: list[TruthTruthEvent]
    """What went wrong."""
    invented: bool
    """True: no real vehicle is behind it."""
    nodes: list[TruthTruthNode]
    """Who sends what."""
    recording: NotRequired[Union[TruthTruthRecording, None]]
    """What the recorder did, where the scenario has one."""
    signals: NotRequired[list[TruthTruthSignal]]
    """What switches and consequences did, and where they are carried."""
    silences: NotRequired[list[TruthTruthSilence]]
    """Each silence and what it is. Not written where all are troubles: the events say it then."""
    title: str
    """Title of the scenario."""

"""What is known of Sparkplug B edge nodes, decided without a broker (Eclipse Sparkplug 3.0, chapters 4 to 6).

An edge node is born (NBIRTH tells all its metrics), talks (NDATA, DDATA with sequence numbers 0 to 255), and
dies (NDEATH, by the broker's hand; it belongs to the birth with the same ``bdSeq``). Devices behind it are
born and die in between. Values are sent when they change, so an old value is as good as its node is alive:
every message of a node confirms all its values.

A host that misses a message should ask for a new birth. That is a command, a write, and this daemon never
writes: it calls the node's values stale and waits for the birth that comes by itself or by another's hand.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from daemon.model import Status
from daemon.sources.sparkplug_payload import Metric, Payload, SparkplugError, decode, sequence_number

NAMESPACE = "spBv1.0"
_BD_SEQ = "bdSeq"
_OLD = 192
"""A sequence number this far ahead, of 256, is rather one that came late or twice."""
_NEVER_BORN = (
    "no birth message of the edge node since the daemon started; it comes when the node connects again, "
    "or when its host application asks it for a rebirth (this daemon never does)"
)
Key = tuple[str, str | None, str]
"""Edge node, device behind it or ``None``, metric name."""


@dataclass(frozen=True, slots=True)
class Topic:
    """The parts of a Sparkplug topic that are read here."""

    kind: str
    node: str
    device: str | None


@dataclass(frozen=True, slots=True)
class Observation:
    """What is known of one metric now, or, if ``historical``, what it was at its time."""

    key: Key
    value: float | None
    status: Status
    time: float
    received: float
    reason: str = ""
    historical: bool = False


@dataclass(slots=True)
class _Owner:
    """The node itself, or one device: alive while ``trouble`` is empty, with the data types that it told."""

    trouble: str = "no birth message of the device yet"
    datatypes: dict[str | int, int] = field(default_factory=dict)


@dataclass(slots=True)
class _Node:
    """One edge node: what each wanted metric was told to be, and why that may not hold now."""

    told: dict[tuple[str | None, str], Observation]
    owners: dict[str | None, _Owner] = field(default_factory=dict)
    aliases: dict[int, tuple[str | None, str]] = field(default_factory=dict)
    born: bool = False
    in_sync: bool = False
    trouble: str = ""
    bd_seq: int | None = None
    early_death: int | None = None
    expected: int = 0
    waiting: dict[int, tuple[Topic, bytes]] = field(default_factory=dict)
    gap_since: float | None = None

    def owner(self, device: str | None) -> _Owner:
        return self.owners.setdefault(device, _Owner())

    def present(self) -> list[Observation]:
        """Return what is known now: what was told, stale where node or device are in trouble."""
        return [
            _as_stale(told, reason) if (reason := self.trouble or self.owner(device).trouble) else told
            for (device, _), told in self.told.items()
        ]

    def lose_sync(self, reason: str) -> list[Observation]:
        self.in_sync, self.trouble, self.waiting, self.gap_since = False, reason, {}, None
        return self.present()


def parse_topic(topic: str, group: str) -> Topic | None:
    """Take a topic apart; ``None`` for what is not a birth, data or death message of the group.

    Examples
    --------
    >>> parse_topic("spBv1.0/field/DDATA/edge/plc", "field")
    Topic(kind='DDATA', node='edge', device='plc')
    >>> parse_topic("spBv1.0/field/NCMD/edge", "field") is None
    True
    """
    levels = topic.split("/")
    if levels[:2] != [NAMESPACE, group] or len(levels) not in {4, 5}:
        return None
    kind, node, device = levels[2], levels[3], levels[4] if len(levels) == 5 else None
    of_device = {"DBIRTH", "DDATA", "DDEATH"}
    if kind not in of_device | {"NBIRTH", "NDATA", "NDEATH"} or (kind in of_device) != (device is not None):
        return None
    return Topic(kind, node, device)


def subscriptions(group: str, nodes: Iterable[str]) -> list[str]:
    """Return the topics to subscribe to: births, data and deaths of the nodes, never a command topic."""
    return [
        f"{NAMESPACE}/{group}/{kind}/{node}{'/+' if kind.startswith('D') else ''}"
        for node in sorted(set(nodes))
        for kind in ("NBIRTH", "NDATA", "NDEATH", "DBIRTH", "DDATA", "DDEATH")
    ]


class SparkplugState:
    """All edge nodes of one group that the site reads.

    Every method returns what changed; nothing here waits, and time comes in with each call: ``wall`` is
    POSIX seconds, ``monotonic`` seconds that never step.

    Parameters
    ----------
    group : str
        Sparkplug group id.
    wanted : Iterable
        The metrics that signals are made of.
    reorder_timeout : float
        How long a missing sequence number is waited for [s].
    """

    def __init__(self, group: str, wanted: Iterable[Key], reorder_timeout: float) -> None:
        self._group = group
        self._reorder_timeout = reorder_timeout
        self._nodes: dict[str, _Node] = {}
        for key in wanted:
            node, device, metric = key
            nothing = Observation(key, None, Status.BAD_WAITING_FOR_INITIAL_DATA, 0.0, 0.0, _NEVER_BORN)
            self._nodes.setdefault(node, _Node({})).told[device, metric] = nothing
        self.unreadable = 0
        """Payloads that could not be read, since the daemon started."""

    def start(self, wall: float, monotonic: float) -> list[Observation]:
        """Say of every metric that no birth was seen yet, and what brings one."""
        for node in self._nodes.values():
            for place, told in node.told.items():
                node.told[place] = replace(told, time=wall, received=monotonic)
        return [told for node in self._nodes.values() for told in node.told.values()]

    def receive(self, topic: str, data: bytes, wall: float, monotonic: float) -> list[Observation]:
        """Take one message."""
        parsed = parse_topic(topic, self._group)
        node = self._nodes.get(parsed.node) if parsed else None
        if parsed is None or node is None:
            return []
        try:
            if parsed.kind == "NBIRTH":
                return _node_birth(node, decode(data), wall, monotonic)
            if parsed.kind == "NDEATH":
                return _node_death(node, decode(data))
            return _in_order(node, parsed, data, wall, monotonic)
        except SparkplugError:
            # Its sequence number is missing now: the reorder time-out will say so.
            self.unreadable += 1
            return []

    def expire(self, monotonic: float) -> list[Observation]:
        """Give up waiting for sequence numbers whose time is over."""
        changed: list[Observation] = []
        for node in self._nodes.values():
            if node.gap_since is not None and monotonic - node.gap_since >= self._reorder_timeout:
                missing = f"message with sequence number {node.expected} missing"
                changed += node.lose_sync(f"{missing}; stale until the edge node's next birth message")
        return changed

    def deadline(self) -> float | None:
        """Return the monotonic time at which ``expire`` has something to do, if any."""
        gaps = [node.gap_since for node in self._nodes.values() if node.gap_since is not None]
        return min(gaps) + self._reorder_timeout if gaps else None

    def broker_lost(self) -> list[Observation]:
        """Call everything stale; a node whose next message follows the last one without a gap is well again.

        (A node that died and was born anew meanwhile is noticed: its death is a message of quality of
        service 1, which the broker keeps for our session, and its sequence numbers begin anew.)
        """
        for node in self._nodes.values():
            node.trouble = node.trouble or "connection to the broker lost"
        return [now for node in self._nodes.values() for now in node.present()]


def _node_birth(node: _Node, payload: Payload, wall: float, monotonic: float) -> list[Observation]:
    bd_seq = _bd_seq(payload)
    # The broker orders messages within a topic only: the death of this birth may have come before it.
    dead = node.early_death is not None and node.early_death == bd_seq
    node.born, node.in_sync, node.bd_seq, node.early_death = True, not dead, bd_seq, None
    node.trouble = "the edge node died right after its birth message" if dead else ""
    # Version 3.0 says both 0 and 0 to 255 for the first number: take any, then insist on the next.
    node.expected = ((payload.seq or 0) + 1) % 256
    node.waiting, node.gap_since, node.aliases = {}, None, {}
    node.owners = {}  # devices tell their metrics themselves, after the node
    return _learn(node, None, payload, wall, monotonic) + node.present()


def _node_death(node: _Node, payload: Payload) -> list[Observation]:
    bd_seq = _bd_seq(payload)
    if not node.born or bd_seq != node.bd_seq:
        node.early_death = bd_seq  # of an earlier life, or of a birth that is still on its way
        return []
    return node.lose_sync("the edge node died or lost its broker")


def _in_order(node: _Node, topic: Topic, data: bytes, wall: float, monotonic: float) -> list[Observation]:
    if not node.in_sync:
        return []
    seq = sequence_number(data)
    if seq is None:
        return node.lose_sync("message without a sequence number; stale until the next birth message")
    ahead = (seq - node.expected) % 256
    if ahead >= _OLD:
        return []
    if ahead:
        node.waiting[seq] = (topic, data)
        node.gap_since = monotonic if node.gap_since is None else node.gap_since
        return []
    history: list[Observation] = []
    held: tuple[Topic, bytes] | None = (topic, data)
    while held is not None:
        history += _apply(node, *held, wall, monotonic)
        node.expected = (node.expected + 1) % 256
        held = node.waiting.pop(node.expected, None)
    node.gap_since, node.trouble = (monotonic if node.waiting else None), ""
    for place, told in node.told.items():  # the node is alive, so what it said last still holds
        if told.received != monotonic and not node.owner(place[0]).trouble:
            node.told[place] = replace(told, received=monotonic)
    return history + node.present()


def _apply(node: _Node, topic: Topic, data: bytes, wall: float, monotonic: float) -> list[Observation]:
    """Take one message whose turn it is; returns the values in it that are history."""
    owner = node.owner(topic.device)
    if topic.kind == "DDEATH":
        owner.trouble = "the device behind the edge node died"
    elif topic.kind == "DBIRTH":
        return _learn(node, topic.device, decode(data), wall, monotonic)
    elif not owner.trouble:
        return _values(node, topic.device, decode(data, owner.datatypes), wall, monotonic)
    return []


def _learn(
    node: _Node, device: str | None, payload: Payload, wall: float, monotonic: float
) -> list[Observation]:
    """Take a birth: names, aliases, data types and first values of one owner."""
    owner = node.owners[device] = _Owner(trouble="")
    for metric in payload.metrics:
        if metric.name is None:
            continue
        if metric.alias is not None:
            node.aliases[metric.alias] = (device, metric.name)
        if metric.datatype is not None:
            owner.datatypes[metric.name] = metric.datatype
            if metric.alias is not None:
                owner.datatypes[metric.alias] = metric.datatype
    born = {metric.name for metric in payload.metrics}
    for place, told in node.told.items():
        if place[0] == device and place[1] not in born:
            reason = f'the birth message has no metric "{place[1]}"'
            absent = Observation(told.key, None, Status.BAD_CONFIGURATION_ERROR, wall, monotonic, reason)
            node.told[place] = absent
    return _values(node, device, payload, wall, monotonic)


def _values(
    node: _Node, device: str | None, payload: Payload, wall: float, monotonic: float
) -> list[Observation]:
    """Take the values of one message; returns those that are history."""
    history = []
    for metric in payload.metrics:
        name = metric.name
        if name is None and metric.alias is not None:
            name = node.aliases.get(metric.alias, (device, ""))[1]
        if name is None or (told := node.told.get((device, name))) is None:
            continue
        seen = _observed(told.key, metric, metric.time or payload.time or wall, monotonic)
        if metric.historical:
            history.append(replace(seen, historical=True))
        else:
            node.told[device, name] = seen
    return history


def _observed(key: Key, metric: Metric, time: float, monotonic: float) -> Observation:
    """Judge one metric by what its message says of it."""
    if metric.problem:
        return Observation(key, None, Status.BAD_CONFIGURATION_ERROR, time, monotonic, metric.problem)
    if metric.null:
        reason = "the edge node says that it has no value (null)"
        return Observation(key, None, Status.BAD_NO_COMMUNICATION, time, monotonic, reason)
    if metric.quality == 500:
        reason = "the edge node calls its value stale (quality 500)"
        return Observation(key, metric.value, Status.UNCERTAIN_LAST_USABLE_VALUE, time, monotonic, reason)
    if metric.quality != 192:
        reason = f"the edge node calls its value bad (quality {metric.quality})"
        return Observation(key, None, Status.BAD_DEVICE_FAILURE, time, monotonic, reason)
    return Observation(key, metric.value, Status.GOOD, time, monotonic)


def _as_stale(known: Observation, reason: str) -> Observation:
    """Keep the value as the last usable one; its time and receipt stay, so that it ages to bad."""
    if known.value is None:
        return known
    status = Status.UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE
    return replace(known, status=status, reason=reason)


def _bd_seq(payload: Payload) -> int | None:
    found = next((metric.value for metric in payload.metrics if metric.name == _BD_SEQ), None)
    return None if found is None else int(found)

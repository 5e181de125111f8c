"""What the review finds in short lists made by chance, against the definitions by one set of packets for each line.

tests/property/test_line_review.py asks more kinds of lines; these are quick and the same each time.
"""

from __future__ import annotations

from random import Random

import pytest
from model_builders import access_list, device, group, line, match, ports

from pathcheck.dataplane.list_space import line_boxes
from pathcheck.model.access_list import Action
from pathcheck.model.object_group import GroupReference
from pathcheck.packet.box import Box
from pathcheck.packet.tcp_flags import ESTABLISHED
from pathcheck.packetset.algebra import packet_space
from pathcheck.queries.line_review.crossing_lines import find_crossing_lines, find_exceptions
from pathcheck.queries.line_review.dead_lines import find_dead_lines
from pathcheck.queries.line_review.group_members import dead_members
from pathcheck.queries.line_review.redundant_lines import find_redundant_lines
from pathcheck.queries.line_review.reviewed_list import ReviewedList

ENDS = {
    4: ("any", "10.1.20.0/24", "10.1.20.0/25", "10.1.20.128/25", "10.1.20.7", "10.1.20.0 0.0.0.254",
        "10.1.20.1 0.0.0.6", "0.0.0.1 255.255.255.254"),
    6: ("any", "2001:db8:20::/48", "2001:db8:20::/49", "2001:db8:20:8000::/49", "2001:db8:20::7"),
}  # fmt: skip
PIERS, WEB = GroupReference("PIERS", "address"), GroupReference("WEB", "port")


def some_list(seed, version):
    chance = Random(seed)
    choose = chance.choice
    entries = []
    for number in range(1, chance.randrange(3, 9)):
        more = choose(
            [
                {"protocol": "tcp", "destination_ports": choose(("80", "80-90", "0-79,81-65535", "85-100", WEB))},
                {"protocol": "tcp", "source_ports": choose(("80", "1024-65535"))},
                {"protocol": "tcp", "flags": ESTABLISHED},
                {"protocol": "udp", "destination_ports": "53"},
                {"protocol": choose(("tcp", "ip", "ip"))},
                {"protocol": choose(("tcp", "ip")), "fragments": True},
                {"protocol": "tcp", "doubt": "a time range"},
            ]
        )
        source = PIERS if chance.random() < 0.15 else choose(ENDS[version])
        action, kind = choose(("permit", "deny")), more.pop("protocol")
        entries.append(line(action, kind, source, choose(ENDS[version]), version=version, sequence=number, **more))
    made = access_list("A", *entries, family=f"ipv{version}")
    groups = (
        group("PIERS", "address", match(ENDS[version][2], version), match(ENDS[version][3], version)),
        group("WEB", "port", ports("80"), ports("443")),
    )
    reviewed = ReviewedList(device("quay-a", made, *groups), made)
    reviewed.is_long = chance.random() < 0.5
    return reviewed


class Definition:
    """The lines of a list as sets of packets; a line in doubt holds all that it may, and takes nothing for certain."""

    def __init__(self, reviewed):
        self.space = packet_space(reviewed.version)
        family = reviewed.access_list.family
        self.lines = reviewed.lines
        self.certain = list(reviewed.certain)
        self.held = [self.space.of_boxes(line_boxes(reviewed.device, one, family)) for one in self.lines]
        self.whole = self.space.of(Box.everything(reviewed.version)) & self.space.of(
            Box(*(match("any", reviewed.version) for _ in "sd"), fragment=False)
        )

    def decided(self, without=frozenset(), until=None):
        """What the certain lines permit and deny; what a line in doubt may take before is left to the others."""
        rest, result = self.space.full, {Action.PERMIT: self.space.empty, Action.DENY: self.space.empty}
        for index, one in enumerate(self.lines[:until]):
            if index not in without and self.certain[index]:
                result[one.action] |= self.held[index] & rest
                rest -= self.held[index]
        return result[Action.PERMIT], result[Action.DENY]


@pytest.mark.parametrize("version", [4, 6])
@pytest.mark.parametrize("seed", range(40))
def test_dead_lines_are_those_that_certain_lines_hold(version, seed):
    reviewed = some_list(seed, version)
    dead, known = find_dead_lines(reviewed, lambda _: None), Definition(reviewed)
    assert set(dead.witnesses) | set(dead.found) == {at for at, certain in enumerate(known.certain) if certain}
    for index, one in enumerate(known.lines):
        if not known.certain[index]:
            continue
        # A dead line is judged as gone for those behind it, also where only its fragments got through.
        permitted, denied = known.decided(without=set(dead.found), until=index)
        before, other = permitted | denied, denied if one.action is Action.PERMIT else permitted
        judged = known.held[index] & known.whole if reviewed.names_layer4(index) else known.held[index]
        found = dead.found.get(index)
        if found is None:
            assert dead.witnesses[index] in known.held[index] - before
        elif found.code == "PC101":
            assert judged <= before and found.sample in judged & other
            assert found.fragments_pass == (not known.held[index] <= before)
        elif found.code == "PC102":
            assert known.held[index] <= before and (judged & other).is_empty
        elif found.code == "PC105":
            assert known.held[found.because[0]] == known.held[index]
            assert known.lines[found.because[0]].action is one.action
        else:
            assert known.held[index].is_empty
        if found is not None and found.code in ("PC101", "PC102"):

            def explains(causes, index=index, judged=judged, code=found.code, one=one):
                permitted, denied = known.decided(without=set(range(len(known.lines))) - set(causes), until=index)
                own = permitted if one.action is Action.PERMIT else denied
                return judged <= permitted | denied and (code == "PC102" or not judged <= own)

            assert explains(found.because)
            assert not any(explains(set(found.because) - {cause}) for cause in found.because)


@pytest.mark.parametrize("version", [4, 6])
@pytest.mark.parametrize("seed", range(40))
def test_lines_that_go_together_change_nothing_and_those_that_stay_would(version, seed):
    reviewed = some_list(seed, version)
    known = Definition(reviewed)
    if not all(known.certain):
        return
    dead = find_dead_lines(reviewed, lambda _: None)
    redundant = find_redundant_lines(reviewed, dead, lambda _: None)
    aside = known.space.union(known.held[at] - known.whole for at, one in dead.found.items() if one.fragments_pass)
    gone = {*dead.found, *redundant}
    full = [part - aside for part in known.decided()]
    assert [part - aside for part in known.decided(without=gone)] == full
    for index, found in redundant.items():
        assert known.decided(without={index}) == known.decided()

        # The lines that are named take its packets, all of them and none too many.
        def taken(lines, index=index):
            return known.held[index] - known.decided(until=index)[0] - known.decided(until=index)[
                1
            ] <= known.space.union(known.held[at] for at in lines)

        assert taken(found.because)
    for index in set(range(len(known.lines))) - gone:
        if known.decided(without={index}) == known.decided():
            # It could go by itself, but not together with the others that were found.
            assert [part - aside for part in known.decided(without=gone | {index})] != full


@pytest.mark.parametrize("version", [4, 6])
@pytest.mark.parametrize("seed", range(40))
def test_crossing_lines_and_exceptions_are_those_of_the_definition(version, seed):
    reviewed = some_list(seed, version)
    known = Definition(reviewed)
    if not all(known.certain):
        return
    dead = find_dead_lines(reviewed, lambda _: None)
    crossing, exceptions = find_crossing_lines(reviewed, dead, lambda _: None), find_exceptions(reviewed, dead)

    def judged(one, other):
        both = reviewed.names_layer4(one) and reviewed.names_layer4(other)
        return [known.held[at] & known.whole if both else known.held[at] for at in (one, other)]

    acting = sorted(dead.witnesses)
    for index in acting:
        pairs, deciding = 0, False
        for earlier in (at for at in acting if at < index and known.lines[at].action is not known.lines[index].action):
            mine, theirs = judged(index, earlier)
            if not (mine & theirs).is_empty and not mine <= theirs and not theirs <= mine:
                pairs += 1
                deciding |= not (mine & theirs - known.space.union(known.held[:earlier])).is_empty
        found = crossing.shown.get(index)
        assert (found is not None) == deciding
        if found is not None:
            assert found.pairs == pairs and found.sample in known.held[index] & known.held[found.earlier]
        later = [at for at in acting if at > index and known.lines[at].action is not known.lines[index].action]
        wider = [at for at in later if judged(index, at)[0] <= judged(index, at)[1]]
        assert exceptions.get(index) == (min(wider) if wider else None)


@pytest.mark.parametrize("seed", range(40))
def test_a_member_is_dead_where_the_lines_before_hold_all_of_it(seed):
    reviewed = some_list(seed, 4)
    known = Definition(reviewed)
    dead = find_dead_lines(reviewed, lambda _: None)
    gone = set(dead.found)
    found = {(item.because[0].line, str(item.span)) for item in dead_members(reviewed, dead)}
    told = {line for line, _ in found}
    for index in dead.witnesses:
        one = known.lines[index]
        before = known.space.union(known.decided(without=gone, until=index))
        judged = known.whole if reviewed.names_layer4(index) else known.space.full
        members = []
        if one.source == PIERS:
            members += [(ENDS[4][2], "any"), (ENDS[4][3], "any")]
        parts = [known.held[index] & known.space.of(Box(match(end), match("any"))) for end, _ in members]
        if one.destination_ports == WEB:
            parts += [known.held[index] & known.space.of(Box(match("any"), match("any"), destination_ports=ports(p)))
                      for p in ("80", "443")]  # fmt: skip
        expected = any(part & judged <= before for part in parts)
        assert (index + 1 in told) == expected

"""Odds against the kernel's own multipath hash: the same conversations, dealt out anew under many seeds of the hash.

What is compared with: the member that `ip route get` says the kernel would choose, conversation by conversation.
"""

from __future__ import annotations

import itertools
import random
from collections import Counter

import pytest
from lab import check
from lab.links import ADDRESSES_AND_PORTS, RECEIVERS, ROLES, SENDERS, Conversation, LabTrouble, Links
from lab.namespaces import execute, namespaces
from scipy import stats

from service.numerics import odds

pytestmark = pytest.mark.skipif(bool(check.lacking()), reason=check.lacking())

REDRAWS = 400
FEW = 10
# Sets a seed, asks for each conversation, and so on: two processes a re-draw, and none of them ours.
ASK = (
    "seed=1; while [ $seed -le {redraws} ]; do sysctl -qw net.ipv4.fib_multipath_hash_seed=$seed || exit 1;"
    " ip -batch {file} || exit 1; seed=$((seed + 1)); done"
)


def conversations():
    drawn = random.Random(5)
    return [
        Conversation(
            f"talk-{at}",
            "udp",
            f"{SENDERS}.{drawn.randint(1, 250)}",
            drawn.randint(20_000, 60_000),
            f"{RECEIVERS}.{drawn.randint(1, 250)}",
            drawn.randint(1024, 49_151),
        )
        for at in range(FEW)
    ]


def dealt(links, folder):
    """For each re-draw the members of all conversations, shape (REDRAWS, FEW), as positions."""
    asked = folder / "asked"
    asked.write_text(
        "".join(
            f"route get {one.target} from {one.source} iif down0 ipproto {one.protocol}"
            f" sport {one.source_port} dport {one.target_port}\n"
            for one in conversations()
        )
    )
    said = execute(links.names["agg"], "sh", "-c", ASK.format(redraws=REDRAWS, file=asked))
    chosen = [int(word[1:]) - 1 for word in _members(said)]
    if len(chosen) != REDRAWS * FEW:
        raise LabTrouble(f"{REDRAWS * FEW} answers were asked for, {len(chosen)} came")
    return [chosen[first : first + FEW] for first in range(0, len(chosen), FEW)]


def _members(said):
    return [after for before, after in itertools.pairwise(said.split()) if before == "dev" and after[0] == "p"]


@pytest.fixture(scope="module", params=[2, 4])
def redrawn(request, tmp_path_factory):
    """How many members there are, and where each conversation went in each re-draw."""
    with namespaces(ROLES) as names:
        links = Links(names, request.param)
        links.up()
        links.hash_by(ADDRESSES_AND_PORTS)
        return request.param, dealt(links, tmp_path_factory.mktemp("redrawn"))


class TestKernel:
    def test_deals_out_equal_conversations_as_foretold(self, redrawn):
        n, draws = redrawn
        seen = Counter(max(Counter(draw).values()) for draw in draws)
        foretold = [float(chance) * REDRAWS for chance in odds.most_on_one(FEW, n)]

        # Classes with few foretold are taken together, or the test's own distribution would not hold.
        usual = [m for m, count in enumerate(foretold) if count >= 5]
        found = [seen[m] for m in usual] + [REDRAWS - sum(seen[m] for m in usual)]
        expected = [foretold[m] for m in usual] + [REDRAWS - sum(foretold[m] for m in usual)]

        assert stats.chisquare(found, expected).pvalue > 0.001

    @pytest.mark.parametrize(
        "weights", [[400, 300, 200, 100], [430, 390, 60, 40], [160] * 6, [250, 220, 200] + [60] * 7]
    )
    def test_keeps_below_the_line_as_often_as_foretold(self, redrawn, weights):
        n, draws = redrawn
        kept = sum(
            all(sum(w for w, at in zip(weights, draw, strict=False) if at == link) <= 0.75 * 1000 for link in range(n))
            for draw in draws
        )

        [foretold] = odds.chances(weights, [1000] * n, [0] * n, 0.75, demands=(1.0,))

        assert foretold.error == 0
        assert stats.binomtest(kept, REDRAWS, foretold.success).pvalue > 0.001

    def test_deals_out_anew_under_another_seed(self, redrawn):
        n, draws = redrawn

        assert len({tuple(draw) for draw in draws}) > REDRAWS // 2
        assert {at for draw in draws for at in draw} == set(range(n))

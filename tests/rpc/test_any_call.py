"""Any call of any method, as hypothesis draws it: the service lives, and nothing moves but for what may move it."""

import math
from collections import Counter

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from saltern.rpc import protocol
from saltern.rpc.replies import REPLIES
from tests.rpc.hostile import OFTEN, STOPPED_AFTER_S, Life, sound
from tests.sizes import sizes

JSON = st.recursive(
    st.one_of(
        st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=60), st.sampled_from(["²", "35", "now"])
    ),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
    max_leaves=6,
)
MAY_MOVE = {"measure", "operate", "guide", "answer"}
"""What may move liquid while the schedule is held; a procedure goes on with an answer."""
GONE_AHEAD = (0, protocol.FAILED)
"""What has begun may fail, or be stopped, when liquid has moved; what was refused has moved none."""

REFUSED = (protocol.INVALID_REQUEST, protocol.INVALID_PARAMS)


@st.composite
def parameters(draw, method):
    """Draw what is right for a method, and in half of all cases put anything in place of something in it."""
    params = sound(draw(st.randoms(use_true_random=False)), method)
    if draw(st.booleans()):
        return params
    if not params or draw(st.integers(0, 9)) == 0:
        return draw(st.dictionaries(st.text(max_size=12), JSON, max_size=2))
    key = draw(st.sampled_from(sorted(params)))
    within = params[key]
    if isinstance(within, dict) and within and draw(st.booleans()):
        inner = draw(st.sampled_from(sorted(within)))
        return {**params, key: {**within, inner: draw(JSON)}}
    return {**params, key: draw(JSON)}


@st.composite
def a_call(draw, method):
    return method, draw(parameters(method)), draw(st.sampled_from(STOPPED_AFTER_S))


def a_life():
    """Draw the calls of one life: every method in turn, those with most to them more often."""
    methods = [method for method in protocol.METHODS for _ in range(max(2, OFTEN.get(method, 1) // 2))]
    return st.permutations(methods).flatmap(lambda order: st.tuples(*map(a_call, order)))


def moved_at_s(world):
    return max(head.last_moved_s for head in world.pumps.values())


@pytest.mark.parametrize("lives", sizes(11, in_soak=110))
def test_whatever_is_called_the_service_lives_and_only_what_may_move_liquid_moves_it(tmp_path_factory, lives):
    """500 calls on every run and 5,000 in the soak, each method among them, a third of them past validation."""
    methods, codes, moved = Counter(), Counter(), Counter()

    @settings(
        max_examples=lives,
        deadline=None,
        phases=[Phase.generate],
        derandomize=True,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(a_life())
    def live(calls):
        with Life(tmp_path_factory.mktemp("life") / "life") as life:
            for method, params, stopped_after_s in calls:
                before_s, ended = moved_at_s(life.hands.world), len(life.ended)
                answer = life.call(method, params, stopped_after_s)
                turned = moved_at_s(life.hands.world) > before_s
                code = answer["error"]["code"] if "error" in answer else 0
                methods[method] += 1
                codes[code] += 1
                moved[method] += turned

                assert "the program failed" not in str(answer), (method, params, answer)
                assert not turned or (method in MAY_MOVE and code in GONE_AHEAD), (method, params, answer)
                if code == 0:
                    REPLIES[method].model_validate(answer["result"])
                assert "the program failed" not in str(life.ended[ended:]), (method, params, life.ended)
            assert "result" in life.call("status", {})
            assert "program-fault" not in {alert.code for alert in life.service.raised}
            assert math.isfinite(life.hands.world.volume_ml())

    live()
    made = sum(methods.values())
    print(f"{made} calls: {dict(methods)}; answers {dict(codes)}; moved liquid {dict(+moved)}")
    refused, busy = sum(codes[code] for code in REFUSED), codes[protocol.BUSY]
    assert made >= lives * 45
    assert set(methods) == set(protocol.METHODS)
    assert min(methods.values()) >= made // 50, methods
    assert made - refused - busy > made / 3, codes
    assert moved.total() > made / 40, moved

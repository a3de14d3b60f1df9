"""Steps of a tape, drawn so that the limit values of every rule come up often."""

from __future__ import annotations

from hypothesis import strategies as st

from tests.firmware.guard.tape import Step

EVERYTHING = 2047
NAMES = ("door_open", "stop_closed", "level_good", "agitator_turning", "smoke")
KITS = (EVERYTHING, 31, 3, 1, 15 | 128, 12, 2047 - 2)
TEMPERATURES = (
    2_000, 2_000, 2_000, 6_500, 6_501, 8_500, 8_699, 8_700, 8_701, 8_999, 9_000, 9_001, 10_499, 10_500, 10_999,
    11_000, 27_999, 28_000, 28_001, 29_999, 30_000, 31_000, -500, 137_200,
)  # fmt: skip

waits = st.sampled_from([10, 20, 40, 50, 90, 100, 190, 200, 250, 400, 600, 1_000, 1_990, 2_000, 3_000, 7_000])
long_waits = st.sampled_from([28_000, 30_000, 59_990, 60_000, 119_000, 121_000])
duties = st.sampled_from([0, 0, 10, 20, 300, 500, 700, 990, 1_000])
flags = st.sampled_from([4, 4, 4, 4, 0, 1, 2, 7, 12, 8, 16, 20, 31])
letters = st.sampled_from("-----OGVRX")


def steps() -> st.SearchStrategy[Step]:
    def one(word: str, *parts: st.SearchStrategy[object]) -> st.SearchStrategy[Step]:
        return st.tuples(st.just(word), *parts)

    usual = [
        one("wait", waits),
        one("stream", st.integers(1, 12), duties, duties, flags),
        one("stream", st.integers(4, 24), st.just(500), st.just(500), st.just(4)),
        one("duty", duties, duties, flags),
        one("sense", st.integers(0, 4), st.sampled_from(TEMPERATURES), letters),
        one("contact", st.sampled_from(NAMES), st.booleans()),
        one("flutter", st.sampled_from(NAMES), st.sampled_from([10, 20, 50, 90, 100]), st.sampled_from([3, 6, 7, 60])),
    ]
    seldom = [
        one("ready"),
        one("greet"),
        one("greet", st.sampled_from([1, 2, 3]), st.just(3)),
        one("arm", st.sampled_from([40, 50, 60, 200])),
        one("hold", st.sampled_from([1_990, 2_000, 2_300])),
        one("limit", st.integers(0, 3), st.sampled_from([2_999, 3_000, 9_000, 9_500, 10_500, 11_000, 11_001, 28_000,
                                                       30_000, 31_000, 31_001])),
        one("duty", st.sampled_from([0, 1, 500, 1_001, 65_535]), st.sampled_from([0, 1, 1_001]),
            st.sampled_from([0, 4, 16, 31, 32]), st.sampled_from([-1, 0, 1, 2, 999, 1_000, 1_001]),
            st.sampled_from([0, 0, 0, 1, -1])),
        one("send", st.sampled_from(["X,1", "S,1,1", "H,0,1", "H,2,1", "S,{sid},-1,0,0,0", "S,{sid},01,0,0,0",
                                     "L,{sid},1,0,2147483648", "", "H,1,1,", "H,1,1*0000"])),
        one("raw", st.sampled_from([b"!H,1,1*E", b"!", b"!!", b"noise\n", b"!" + b"0" * 200, b"!H,1,1*0000\n"])),
        one("weld", st.booleans(), st.booleans()),
        one("power", st.sampled_from([0, 0, 1, 2])),
        one("restart", st.sampled_from([2, 4, 8])),
        one("wait", long_waits),
    ]  # fmt: skip
    return st.one_of(*usual, *usual, *usual, *seldom)


def tapes(longest: int = 30) -> st.SearchStrategy[list[Step]]:
    start = st.sampled_from([[("wait", 500), ("ready",)], [("wait", 500), ("ready",)], [("wait", 300)]])
    return st.tuples(start, st.lists(steps(), min_size=5, max_size=longest)).map(lambda parts: [*parts[0], *parts[1]])


kits = st.sampled_from(KITS)

"""code/hearing.js: what the page takes for the age of its data is never less than it is, whichever clock fails.

The world of these tests knows the true time; the page is told only what its device's clocks and the gateway's say.
"""

from dataclasses import dataclass, field
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.page.reading import Page

_RUN = """
const { Hearing } = await import("/page/code/hearing.js");
const hearing = new Hearing();
const told = [];
for (const step of arguments[0]) {
  const at = { ms: step.ms, date: step.date };
  if (step.what === "ask") hearing.ask(at);
  else if (step.what === "hear") hearing.hear(at, step.there);
  else told.push({ age: hearing.age(at), silence: hearing.silence(at), late: hearing.late });
}
return told;
"""
HOUR_MS = 3_600_000.0


@dataclass
class World:
    """True time in ms, a device with two clocks, a gateway with one."""

    ms_stops_asleep: bool
    date: float
    """What the device's date is wrong by."""
    there: float
    """What the gateway's clock is wrong by."""
    now: float = 1e9
    slept: float = 0.0
    newest: float = 0.0
    """When the newest message that came was sent."""
    steps: list[dict[str, Any]] = field(default_factory=list)
    true_ages: list[float] = field(default_factory=list)

    def step(self, what: str, **more: float) -> None:
        ms = self.now - 5e8 - (self.slept if self.ms_stops_asleep else 0.0)
        self.steps.append({"what": what, "ms": ms, "date": self.now + self.date, **more})

    def sleep(self, duration: float) -> None:
        self.now += duration
        self.slept += duration

    def hear(self, sent: float) -> None:
        self.newest = sent
        self.step("hear", there=sent + self.there)

    def look(self) -> None:
        self.step("look")
        self.true_ages.append(self.now - self.newest)


_spans = st.floats(0.0, 20_000.0)
_steps = st.lists(
    st.one_of(
        st.tuples(st.just("pass"), _spans),
        st.tuples(st.just("connect"), _spans),
        st.tuples(st.just("message"), st.floats(0.0, 30_000.0)),
        st.tuples(st.just("fail"), st.floats(-HOUR_MS, 3 * HOUR_MS)),
    ),
    max_size=25,
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    _steps,
    st.booleans(),
    st.floats(-HOUR_MS, HOUR_MS),
    st.floats(-HOUR_MS, HOUR_MS),
)
def test_nothing_is_taken_for_younger_than_it_is(
    modules: Page, steps: list[tuple[str, float]], sleeps: bool, skew: float, there: float
) -> None:
    """Either the device sleeps and one of its clocks stands still, or its date is set to anything at any time; what it
    hears may have lain anywhere since the connection was asked for."""
    world = World(sleeps, skew, there)
    world.step("ask")
    asked = last_sent = world.now
    world.now += 50.0
    world.hear(world.now)
    for what, size in steps:
        if what == "pass":
            world.now += size
        elif what == "connect":
            world.step("ask")
            asked = last_sent = world.now
            world.now += size
            world.hear(max(asked, world.now - size / 2))
            last_sent = world.newest
        elif what == "message":
            world.now += 10.0
            # In order, and none was made before its connection was asked for.
            last_sent = max(last_sent, world.now - size)
            world.hear(last_sent)
        elif sleeps:
            world.sleep(abs(size))
        else:
            world.date += size
        world.look()
    told = modules.promise(_RUN, world.steps)
    # Two good clocks may part by 1e-4.
    slack = 1e-4 * (world.now - 1e9) + 0.01
    for each, true_age in zip(told, world.true_ages, strict=True):
        assert each["age"] >= true_age - slack, (each, true_age)


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(st.tuples(st.floats(10.0, 2_000.0), st.floats(0.0, 300.0)), min_size=1, max_size=25),
    st.floats(-HOUR_MS, HOUR_MS),
)
def test_what_is_heard_in_time_is_not_taken_for_old(
    modules: Page, messages: list[tuple[float, float]], skew: float
) -> None:
    """Whatever the viewer's date is wrong by: the age is the silence and what the link takes, and not more."""
    world = World(False, skew, -skew / 2)
    world.step("ask")
    world.now += 100.0
    world.hear(world.now - 40.0)
    for gap, delay in messages:
        world.now += gap
        world.hear(max(world.newest, world.now - delay))
        world.now += 200.0
        world.look()
    for each in modules.promise(_RUN, world.steps):
        assert each["silence"] == 200.0
        assert each["age"] <= 200.0 + 300.0 + 100.0 + 0.01


def test_an_hour_of_sleep_is_an_hour_of_silence_on_either_kind_of_device(modules: Page) -> None:
    for stops in (True, False):
        world = World(stops, 0.0, 0.0)
        world.step("ask")
        world.hear(world.now)
        world.sleep(HOUR_MS)
        world.look()
        # What lay in a buffer since before the sleep comes first, and is as old as it is.
        world.hear(world.newest + 500.0)
        world.look()
        # Then what is sent now, on the connection that has held.
        world.hear(world.now)
        world.look()
        asleep, buffered, present = modules.promise(_RUN, world.steps)
        assert asleep["silence"] == HOUR_MS
        assert buffered["silence"] == 0.0
        assert abs(buffered["age"] - (HOUR_MS - 500.0)) <= 1e-4 * HOUR_MS
        assert present["age"] <= 1e-4 * HOUR_MS


def test_two_clocks_that_part_slowly_do_not_make_a_slow_link(modules: Page) -> None:
    """A day at 50 parts in a million is 4.3 s; quartz is within that (common practice)."""
    world = World(False, 0.0, 0.0)
    world.step("ask")
    world.hear(world.now)
    for _ in range(1440):
        world.now += 60_000.0
        world.there -= 3.0
        world.hear(world.now)
    world.look()
    (told,) = modules.promise(_RUN, world.steps)
    assert told["age"] <= 3.0 + 0.01


def test_before_the_first_word_the_age_is_without_end(modules: Page) -> None:
    made = "return String(new (await import('/page/code/hearing.js')).Hearing().age({ms: 1, date: 2}))"
    assert modules.promise(made) == "Infinity"

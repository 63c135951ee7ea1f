"""Pytest plugin of the runs on a broken copy: the first failing example is enough, so Hypothesis does not shrink it."""

from hypothesis import HealthCheck, Phase, settings

settings.register_profile(
    "first_red",
    max_examples=100,
    deadline=None,
    derandomize=True,
    phases=(Phase.explicit, Phase.generate),
    suppress_health_check=[HealthCheck.too_slow],
)

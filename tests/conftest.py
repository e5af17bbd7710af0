"""Settings of all tests."""

from hypothesis import settings

# The same examples at each run, so that a change is judged by what it does and not by luck. New ones are
# looked for with `./run test --hypothesis-profile=search`.
settings.register_profile("same", derandomize=True)
settings.register_profile("search", max_examples=1000)
settings.load_profile("same")

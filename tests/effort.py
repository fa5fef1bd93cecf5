"""How many examples a property test tries: as many as it says, few in a quick run."""

from typing import Any

from hypothesis import settings


def examples(most: int, **more: Any) -> settings:
    """Settings of a property test, to decorate it with."""
    usual = settings().max_examples  # of the profile that was chosen
    return settings(max_examples=min(most, usual) if usual < 20 else most, **more)

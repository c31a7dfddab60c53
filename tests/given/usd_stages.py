"""OpenUSD stages opened afresh, and what the validators of usd-core say about them."""

from __future__ import annotations

from pathlib import Path

from pxr import Usd, UsdValidation


def stage_at(path: Path) -> Usd.Stage:
    """The stage of a file as it is on disk now."""
    stage = Usd.Stage.Open(str(path))
    stage.Reload()
    return stage


def complaints(path: Path) -> list[str]:
    """What every validator that OpenUSD comes with has to say."""
    registry = UsdValidation.ValidationRegistry()
    validators = registry.GetOrLoadAllValidators()
    stage = stage_at(path)
    context = UsdValidation.ValidationContext(validators)
    return [f"{each.GetName()}: {each.GetMessage()}" for each in context.Validate(stage)]

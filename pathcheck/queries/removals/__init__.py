"""What a full replacement of the devices' configuration takes from them."""

from pathcheck.queries.removals.preview import preview_removals

__all__ = ["preview_removals"]

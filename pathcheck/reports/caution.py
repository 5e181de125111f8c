"""The caution that every report carries."""

__all__ = ["CAUTION"]

CAUTION = (
    "This is a verdict about the text that was read, not about the devices: verify on the device, keep out-of-band "
    "access, and follow your change control and the judgement of the responsible engineer."
)

"""Header fields, one concrete packet, and sets given field by field, as immutable values."""

"""x"""
from __future__ import annotations
def reason_ids(mask: int) -> tuple[str, ...]:
    return tuple(f"R{n:02d}" for n in range(1, 40) if (mask >> (n - 1)) & 1)

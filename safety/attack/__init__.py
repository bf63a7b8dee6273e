"""Attacks on the interlock: schedules of requests, senses, clocks and operators that misbehave, and what plays them.

Nothing here is used when a loop runs; it is what `thenar challenge` throws at the interlock.
"""

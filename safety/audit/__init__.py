"""The auditor: separate code that judges what was delivered, with the limits and the log of decisions.

Written from the requirement table, not from the interlock: it shares the limits with the interlock and nothing else.
"""

"""Limit profiles and the interlock: nothing reaches the pulse generator but what this part admits.

This is a simulator and no medical device. "Within limits" means checked against a stated bound,
never safe for a person.
"""

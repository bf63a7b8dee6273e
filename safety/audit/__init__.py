"""The auditor: separate code that judges what was delivered, with the profile's text and the log of decisions.

Written from the requirement table, not from the interlock: it computes every bound itself. Of the rest of this package
it reads the titles of the requirements, which are data, and nothing else.
"""

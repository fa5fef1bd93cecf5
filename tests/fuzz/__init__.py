"""``make fuzz``: damaged files, kills and full disks; what holds and what does not, as a table.

Every input is made from a seed number, its kind and its place in the row, so a failure can be made again:
``python -m tests.fuzz --only midi/1234``.
"""

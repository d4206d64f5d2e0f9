"""A whole cell to play in: a simulated gauge, an embedded broker and a lamp; all parts are invented.

Uses the agent from outside, as a process, and reads its store. Nothing imports it but its command.
"""

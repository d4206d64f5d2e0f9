"""TOML bytes of agent.toml, recipes and certificates to frozen values; a complaint names file, line and key.

Whatever is written there is checked here, so that no other room needs to doubt it. No file access, no import
from traces or proposals: layouts, which say how a trace is read, live with the traces.
"""

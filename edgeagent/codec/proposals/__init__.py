"""Proposals for a person to complete: a layout from an unknown export, a recipe from thread data.

What a file does not say plainly is asked for ("FILL IN"), never guessed in silence. Nothing that decides a part
may import from here: the service never proposes.
"""

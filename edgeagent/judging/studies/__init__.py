"""What a person asks for once: flank pairs, alignment, speed, trends and gauge studies. Pure.

From evaluated files or from the journal's values; nothing here decides a part, and the service uses none of it.
"""

"""How numbers are written where people read them: in reasons, reports and on the page.

Sentences of reasons stand in ``rules.sentences``, which uses this.
"""

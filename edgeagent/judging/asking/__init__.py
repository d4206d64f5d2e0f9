"""What other limits, another rule or another uncertainty would have decided, from what results hold.

``rejudge`` judges one result again, ``parts`` what follows for the part. Pure like the rest of judging.
"""

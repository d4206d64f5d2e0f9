"""Edge daemon for the measuring cell of a ball-screw maker.

It watches the folder into which measuring instruments export traces of ball tracks, analyses every
new file, applies the limits of the part's recipe, writes the decision into an append-only journal and
then publishes it over MQTT. It refuses to guess: what it cannot read it quarantines, what it cannot
judge it holds, and it announces nothing that is not yet durable on disk. Importing this package has no
effect beyond defining names.
"""

__version__ = "0.2.0"

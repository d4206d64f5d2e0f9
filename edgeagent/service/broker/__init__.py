"""The MQTT session: the client's thread, what its events mean, and the publisher that carries out what
``rules.line.delivery`` asks for.

Only ``client`` knows paho. Nothing here decides what the lamp shows.
"""

"""A page for the hall: lamp, last parts, what waits, held parts, drift, disk and broker, live in a browser.

A process of its own that reads a store and changes nothing in it: a crash here never touches the service.
Needs the extra "page".
"""

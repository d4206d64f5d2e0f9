"""The whole job on one machine: a gauge, a broker and a lamp of our own around the real agent. All invented."""

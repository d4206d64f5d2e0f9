"""The running agent: one loop, and the threads that it hands work to. Files, clocks and sockets live here."""

"""What all open pages share: no page misses a change, whenever it comes."""

from __future__ import annotations

import asyncio

from edgeagent.page.hub import Hub


def test_change_while_a_page_waits_for_its_turn_reaches_it_at_once(tmp_path):
    async def listen() -> bytes:
        hub = Hub(tmp_path)
        events = hub.events()
        for _ in range(2):  # what every page gets at first
            await anext(events)
        async with hub._changed:
            waiting = asyncio.create_task(anext(events))
            await asyncio.sleep(0)
            hub._version += 1
        return await asyncio.wait_for(waiting, 5)

    assert asyncio.run(listen()).startswith(b"data: ")

"""On the path of these tests' engines alone: no wait of theirs is longer than two seconds.

The queue's plugin waits ten seconds longer each time it finds no job finished, which suits jobs of hours.
"""

import asyncio

_sleep = asyncio.sleep


async def _impatient(delay, result=None):
    return await _sleep(min(delay, 2.0), result)


asyncio.sleep = _impatient

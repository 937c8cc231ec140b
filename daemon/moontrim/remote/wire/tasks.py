"""Tasks side by side on a connection, and a way not to miss the end of one."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any


def end_if_cancelled() -> None:
    """Up to Python 3.11 `asyncio.wait_for`, which the client uses, swallows a cancellation that
    comes together with its result: after each call, look whether there was one."""
    task = asyncio.current_task()
    if task is not None and task.cancelling():
        raise asyncio.CancelledError


async def until_one_fails(*parts: Coroutine[Any, Any, None]) -> None:
    """Run them side by side; the first failure ends all and is raised. Not a TaskGroup, because up
    to Python 3.11 that leaves the task counted as cancelled, see above."""
    tasks = [asyncio.create_task(part) for part in parts]
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in tasks:
            task.cancel()
        results = await asyncio.gather(*tasks, return_exceptions=True)
    for result in results:
        if isinstance(result, Exception):
            raise result

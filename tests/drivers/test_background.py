"""Jobs beside the conductor: they run until they are ended, and a failure is told."""

from __future__ import annotations

import asyncio

from drivers.background import Background


async def test_jobs_run_side_by_side_until_they_are_closed() -> None:
    seen: list[str] = []

    async def job(name: str) -> None:
        try:
            while True:
                seen.append(name)
                await asyncio.sleep(0)
        finally:
            seen.append(f"{name} ended")

    background = Background([lambda: job("a"), lambda: job("b")])
    background.start()
    for _ in range(10):
        await asyncio.sleep(0)
    assert background.trouble == ""
    await background.close()
    await background.close()
    assert {"a", "b", "a ended", "b ended"} == set(seen)


async def test_a_job_that_fails_ends_the_others_and_is_told_and_not_raised() -> None:
    ended: list[str] = []

    async def lasting() -> None:
        try:
            await asyncio.Event().wait()
        finally:
            ended.append("lasting")

    async def failing() -> None:
        raise ZeroDivisionError("nobody expected this")

    background = Background([lasting, failing])
    background.start()
    for _ in range(10):
        await asyncio.sleep(0)
    assert background.trouble == "ZeroDivisionError: nobody expected this"
    assert ended == ["lasting"]
    await background.close()
    assert background.trouble == ""

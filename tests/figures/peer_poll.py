"""Reads simulated controllers by pymodbus at a given pace, a task and a connection each, and prints what it cost.

Usage: peer_poll.py PORT CONNECTIONS REGISTERS PERIOD_MS
For each line "READS WARM_UP_MS ROUND_MS" on standard input it reads READS blocks a period and connection, and answers
"READS_DONE CPU_NS" for the round after the warm-up.
"""

import asyncio
import sys
import time

from pymodbus.client import AsyncModbusTcpClient

port, connections, registers, period_ms = map(int, sys.argv[1:])
done, over = 0, False


async def poll(reads, due):
    global done
    client = AsyncModbusTcpClient("127.0.0.1", port=port, timeout=1)
    assert await client.connect()
    try:
        while not over:
            await asyncio.sleep(max(0.0, due - time.monotonic()))
            for read in range(reads):
                answer = await client.read_holding_registers(read * registers, count=registers, device_id=1)
                assert len(answer.registers) == registers
                done += 1
            due += period_ms / 1000
    finally:
        client.close()


async def measured(reads, warm_up_ms, round_ms):
    global over
    over = False
    begun = time.monotonic()
    tasks = [
        asyncio.create_task(poll(reads, begun + period_ms / 1000 * index / connections)) for index in range(connections)
    ]
    await asyncio.sleep(warm_up_ms / 1000)
    before, cpu_before = done, time.process_time_ns()
    await asyncio.sleep(round_ms / 1000)
    found = (done - before, time.process_time_ns() - cpu_before)
    # Not by cancelling: the library may take that for a failed read and go on.
    over = True
    await asyncio.gather(*tasks)
    return found


for line in sys.stdin:
    print(*asyncio.run(measured(*map(int, line.split()))), flush=True)

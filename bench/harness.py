"""Runs commands by turns and measures them: CPU (user + system of the whole process tree), wall,
peak memory of the tree."""
import json
import os
import statistics
import subprocess
import tempfile
import threading
import time


class Failed(Exception):
    pass


def tree_of(root):
    """The process and all its descendants."""
    found, todo = [], [root]
    while todo:
        pid = todo.pop()
        found.append(pid)
        try:
            for task in os.listdir(f"/proc/{pid}/task"):
                with open(f"/proc/{pid}/task/{task}/children", encoding="ascii") as handle:
                    todo += [int(child) for child in handle.read().split()]
        except OSError:
            pass
    return found


def memory_of(root):
    """Bytes of the tree, pages that processes share counted once."""
    total = 0
    for pid in tree_of(root):
        try:
            with open(f"/proc/{pid}/smaps_rollup", encoding="ascii") as handle:
                for line in handle:
                    if line.startswith("Pss:"):
                        total += int(line.split()[1]) * 1024
        except (OSError, ProcessLookupError):
            pass
    return total


def run_once(command, watch_memory=False):
    """CPU and wall seconds, peak memory (0 unless watched) and the last line of the output."""
    with tempfile.TemporaryFile() as output, tempfile.TemporaryFile() as errors:
        start = time.perf_counter()
        process = subprocess.Popen(command, stdout=output, stderr=errors)
        peak, done = [0], threading.Event()

        def watch():
            while not done.wait(0.02):
                peak[0] = max(peak[0], memory_of(process.pid))

        watcher = threading.Thread(target=watch)
        if watch_memory:
            watcher.start()
        _, status, usage = os.wait4(process.pid, 0)
        wall = time.perf_counter() - start
        done.set()
        if watch_memory:
            watcher.join()
        process.returncode = os.waitstatus_to_exitcode(status)
        output.seek(0)
        text = output.read().decode()
        if process.returncode != 0:
            errors.seek(0)
            raise Failed(f"{' '.join(command[:4])} ...: status {process.returncode}\n"
                         + errors.read().decode()[-2000:])
    # The largest single process is a lower bound that needs no sampling.
    return {"cpu_s": usage.ru_utime + usage.ru_stime, "wall_s": wall,
            "peak_bytes": max(peak[0], usage.ru_maxrss * 1024) if watch_memory else 0,
            "output": text}


def last_json(text):
    try:
        return json.loads(text.strip().splitlines()[-1])
    except (ValueError, IndexError):
        return {}


def measure(entry, watch_memory=False):
    """One run of an entry, with the start of the interpreter and its libraries taken off."""
    entry.prepare()
    result = run_once(entry.command, watch_memory)
    said = last_json(result.pop("output"))
    start = said.get("start_cpu_s", 0.0)
    return {"cpu_s": result["cpu_s"] - start, "wall_s": result["wall_s"] - start,
            "start_cpu_s": start, "peak_bytes": result["peak_bytes"], "said": said}


def alternate(entries, rounds, report):
    """Warm-up (memory watched there, where sampling disturbs no time), then rounds by turns."""
    rows = {entry.name: {"entry": entry, "rounds": []} for entry in entries}
    for entry in entries:
        report(f"{entry.name}: first run")
        first = measure(entry, watch_memory=True)
        rows[entry.name]["peak_bytes"] = first["peak_bytes"]
        rows[entry.name]["said"] = first["said"]
    for turn in range(rounds):
        for entry in entries if turn % 2 == 0 else reversed(entries):
            report(f"{entry.name}: round {turn + 1} of {rounds}")
            rows[entry.name]["rounds"].append(measure(entry))
    return rows


def median(rows, key):
    return statistics.median(row[key] for row in rows)

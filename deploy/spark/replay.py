#!/usr/bin/env python3
"""Counts charting on Apache Spark: `terce replay` in every partition, `terce merge` at the end.

    python3 deploy/spark/replay.py --terce PATH --out DIR --until T [--partitions N] [--master URL] NDJSON...
        [-- more arguments for terce replay, such as --protocol adult --zone Europe/Lisbon]

The files that it writes are, byte for byte, those of one `terce replay` of all files. A line that cannot be read ends
the run. It is an example to start from:

- A Device that names a patient goes to that patient alone. A site that lends such a Device to other patients treats
  Devices as Locations are treated below.
- One resource on each line; Bundles are refused, since they may mix patients.
- Files that the further arguments name (--map, --config) lie under the same path on every worker.
- A resource that names its patient only by way of its Encounter is not counted: each has to name its patient itself.
- The outputs pass through the driver's memory. They are small beside the charting; spark.driver.maxResultSize is
  their bound.
"""

import argparse
import json
import pathlib
import re
import subprocess
import sys
import tempfile
import zlib

from pyspark import SparkFiles, StorageLevel
from pyspark.sql import SparkSession

# The key of what each partition reads: Locations, and Devices that are no patient's
SHARED = None
# The key of what else is no patient's: one partition reads it
NOBODY = ""


def whose(line):
    """The id of the patient whom a line is about."""
    resource = json.loads(line)
    kind = resource["resourceType"]
    if kind == "Bundle":
        raise ValueError("a Bundle may hold several patients: give one resource on each line")
    if kind == "Patient":
        return resource["id"]
    reference = (resource.get("subject") or resource.get("patient") or {}).get("reference", "")
    # relative, absolute, or of one version
    found = re.search(r"(?:^|/)Patient/([^/]+)", reference)
    if found:
        return found[1]
    return SHARED if kind in ("Location", "Device") else NOBODY


def replay_of(name, arguments, shared):
    """What a partition does with its lines: gives back the files that terce writes, as (name, bytes)."""

    def replay(keyed):
        first = next(keyed, None)
        if first is None:
            # a partition without lines has nothing to add
            return
        # a task is one core to Spark
        command = [SparkFiles.get(name), "replay", "--threads", "1", *arguments]
        with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryFile() as said:
            out = pathlib.Path(folder, "out")
            # what terce says goes to a file: a pipe that nobody reads would fill up and stop it
            terce = subprocess.Popen(
                [*command, "--out", out, "-"], stdin=subprocess.PIPE, stdout=said, stderr=subprocess.STDOUT
            )
            try:
                with terce.stdin as pipe:
                    for line in shared.value:
                        pipe.write(line.encode() + b"\n")
                    pipe.write(first[1].encode() + b"\n")
                    for _, line in keyed:
                        pipe.write(line.encode() + b"\n")
            except BrokenPipeError:
                # it has given up; why, it says itself
                pass
            if terce.wait() != 0:
                said.seek(0)
                raise RuntimeError(f"terce replay ended with {terce.returncode}: {said.read().decode()}")
            yield [(file.name, file.read_bytes()) for file in sorted(out.iterdir())]

    return replay


def main():
    # what follows -- is for terce
    own, more = sys.argv[1:], []
    if "--" in own:
        at = own.index("--")
        own, more = own[:at], own[at + 1 :]
    parser = argparse.ArgumentParser(description="terce replay on Apache Spark; after --: arguments for terce replay")
    parser.add_argument("--terce", required=True, help="the program; Spark takes it to the workers")
    parser.add_argument("--out", required=True, help="the folder to write, on the driver")
    # without it each partition would count up to its own last document, and such outputs do not add up
    parser.add_argument("--until", required=True, help="up to when to count, RFC 3339")
    parser.add_argument("--partitions", type=int, help="into how many the patients are divided")
    parser.add_argument("--master", help="the master, where spark-submit or the configuration does not say it")
    parser.add_argument("inputs", nargs="+", metavar="NDJSON", help="files or folders that all workers can read")
    asked = parser.parse_args(own)

    builder = SparkSession.builder.appName("terce replay")
    if asked.master:
        builder = builder.master(asked.master)
    spark = builder.getOrCreate()
    context = spark.sparkContext
    try:
        terce = pathlib.Path(asked.terce).resolve()
        context.addFile(str(terce))
        lines = context.textFile(",".join(asked.inputs)).filter(str.strip)
        # kept, since it is gone over twice: for what is shared, and for the rest
        keyed = lines.map(lambda line: (whose(line), line)).persist(StorageLevel.MEMORY_AND_DISK)
        shared = context.broadcast(keyed.filter(lambda pair: pair[0] is SHARED).values().collect())
        # All lines of a patient come together, so that no stay is split. crc32, since Python's own hash of a text is
        # another one in every process.
        stays = keyed.filter(lambda pair: pair[0] is not SHARED).partitionBy(
            asked.partitions or context.defaultParallelism, lambda patient: zlib.crc32(patient.encode())
        )
        replay = replay_of(terce.name, ["--until", asked.until, *more], shared)
        outputs = stays.mapPartitions(replay).collect()
    finally:
        spark.stop()
    if not outputs:
        sys.exit("all lines are Locations and Devices: nothing to count")

    with tempfile.TemporaryDirectory() as parts:
        folders = []
        for number, files in enumerate(outputs):
            folder = pathlib.Path(parts, str(number))
            folder.mkdir()
            for name, content in files:
                (folder / name).write_bytes(content)
            folders.append(folder)
        subprocess.run([terce, "merge", "--out", asked.out, *folders], check=True)
    print(f"{len(folders)} partitions had lines")


if __name__ == "__main__":
    main()

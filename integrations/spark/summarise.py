"""Spreads a folder of captures over a Spark cluster: each worker runs `lostnode report --format row` on its captures, and the rows become one Parquet
data set with the columns of docs/tables.md ("The summary of `batch`"), the same rows that `lostnode batch` writes.

    spark-submit --master spark://HOST:7077 summarise.py --captures /shared/captures --out /shared/summary --lostnode /usr/local/bin/lostnode

The folder, the result and the program must lie where every worker sees them under the same path. What is behind `--` goes to `lostnode report`.
"""

import argparse
import json
import os
import subprocess
import sys

from pyspark.sql import SparkSession
from pyspark.sql.types import ArrayType, BooleanType, DoubleType, LongType, StringType, StructField, StructType

TEXT, WHOLE, REAL, YES_NO = StringType(), LongType(), DoubleType(), BooleanType()
TEXTS = ArrayType(StringType(), containsNull=False)
COLUMNS = [
    ("path", TEXT), ("verdict", TEXT), ("reason", TEXT), ("headline", TEXT), ("start", TEXT), ("span_s", REAL), ("frames", WHOLE),
    ("rejected_lines", WHOLE), ("nodes", WHOLE), ("lost_identifiers", WHOLE), ("lost_nodes", WHOLE), ("lost_branches", WHOLE),
    ("lost_buses", WHOLE), ("worst_node", TEXT), ("worst_lost_s", REAL), ("lost", TEXTS), ("codes", TEXTS), ("vin", TEXT),
    ("load_mean", REAL), ("load_peak", REAL), ("finding", TEXT), ("probability", REAL), ("cut_short", YES_NO),
]
SCHEMA = StructType([StructField(name, kind) for name, kind in COLUMNS])


def captures(folder, out):
    """All files below a folder, as `lostnode batch` finds them: links to folders are not followed; results are left out, and so are the marks of a
    capture, which are read with it."""
    found = []
    for place, folders, files in os.walk(folder):
        # A link to a folder stands among the folders; it is neither followed nor a capture.
        below = [(name, os.path.join(place, name)) for name in folders]
        folders[:] = [name for name, path in below if not os.path.islink(path) and path != out]
        found += [os.path.relpath(os.path.join(place, name), folder) for name in files]
    marks = {name + ".marks" for name in found}
    return sorted(name for name in found if name not in marks)


def row(program, folder, path, arguments):
    """The row of one capture. Whatever happens to one capture costs one row; only a missing program ends the job."""
    # As `batch` does: the second look is for one vehicle, not for a folder.
    row = ["--format", "row", "--threads", "1", "--no-precursors"]
    command = [program, "report", os.path.join(folder, path), *row, *arguments]
    done = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, check=False)
    try:
        values = json.loads(done.stdout)
    except ValueError:
        told = done.stderr.decode(errors="replace").strip() or "no message"
        if done.returncode == 2:
            # Not the capture: an argument, a roster that cannot be read. It would be the same for every row.
            raise RuntimeError(told) from None
        values = {"verdict": "not read", "reason": f"ended with {done.returncode}: {told}"}
    values["path"] = path
    empty = {WHOLE: 0, TEXTS: [], YES_NO: False}
    return tuple(values.get(name, empty.get(kind)) for name, kind in COLUMNS)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--captures", required=True, help="folder of captures, seen by every worker")
    parser.add_argument("--out", required=True, help="where the data set goes; overwritten")
    parser.add_argument("--lostnode", default="lostnode", help="the program, as the workers find it")
    parser.add_argument("--captures-per-task", type=int, default=20, help="what is lost and done again when a worker dies")
    known, arguments = parser.parse_known_args()
    arguments = [argument for argument in arguments if argument != "--"]
    folder, program = os.path.abspath(known.captures), known.lostnode
    paths = captures(folder, os.path.abspath(known.out))
    if not paths:
        sys.exit(f"{folder}: there is no file in it")
    spark = SparkSession.builder.appName("lostnode summary").getOrCreate()
    tasks = max(1, -(-len(paths) // max(1, known.captures_per_task)))
    rows = spark.sparkContext.parallelize(paths, tasks).map(lambda path: row(program, folder, path, arguments))
    # A task that ran twice, on a worker that died and on another, leaves one file: Spark moves the files of finished tasks into place.
    spark.createDataFrame(rows, SCHEMA).write.mode("overwrite").parquet(known.out)
    counted = spark.read.parquet(known.out).groupBy("verdict").count().collect()
    print("; ".join(f"{count} {verdict}" for verdict, count in sorted(counted)))
    spark.stop()


if __name__ == "__main__":
    main()

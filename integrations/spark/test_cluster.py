"""Runs summarise.py on a local standalone cluster of a master and two workers, kills one worker on the way, and compares the data set with the
summary of `lostnode batch`. Usage: test_cluster.py LOSTNODE CAPTURES WORK, where CAPTURES is a folder and WORK an empty one."""

import os
import re
import signal
import subprocess
import sys
import time

import pyarrow.parquet as pq
import pyspark

program, folder, work = (os.path.abspath(path) for path in sys.argv[1:4])
home = os.path.dirname(pyspark.__file__)
here = os.path.dirname(os.path.abspath(__file__))
environment = dict(os.environ, SPARK_HOME=home, SPARK_LOCAL_IP="127.0.0.1", PYSPARK_PYTHON=sys.executable, PYSPARK_DRIVER_PYTHON=sys.executable)


def start(name, *arguments):
    """A process of the cluster in a group of its own, so that what it starts dies with it."""
    log = open(os.path.join(work, f"{name}.log"), "w", encoding="utf-8")
    command = [os.path.join(home, "bin", "spark-class"), *arguments]
    return subprocess.Popen(command, env=environment, stdout=log, stderr=log, start_new_session=True)


def log(name):
    with open(os.path.join(work, f"{name}.log"), encoding="utf-8", errors="replace") as file:
        return file.read()


def wait_for(name, pattern, seconds=90):
    for _ in range(seconds * 5):
        found = re.search(pattern, log(name))
        if found:
            return found
        time.sleep(0.2)
    sys.exit(f"{name} never said {pattern}:\n{log(name)}")


def kill(process):
    try:
        os.killpg(process.pid, signal.SIGKILL)
    except ProcessLookupError:
        pass


processes = []
try:
    processes.append(start("master", "org.apache.spark.deploy.master.Master", "--host", "127.0.0.1", "--port", "0", "--webui-port", "0"))
    master = wait_for("master", r"Starting Spark master at (spark://\S+)").group(1)
    for name in ("worker-1", "worker-2"):
        processes.append(start(name, "org.apache.spark.deploy.worker.Worker", "--host", "127.0.0.1", "--cores", "1", "--memory", "1g",
                               "--webui-port", "0", "--work-dir", os.path.join(work, name), master))
        wait_for(name, r"Successfully registered with master")
    # Each capture takes a moment longer than it needs, so that there is a middle to kill a worker in.
    slow = os.path.join(work, "slow-lostnode")
    with open(slow, "w", encoding="utf-8") as file:
        file.write(f'#!/bin/sh\necho started >> "{work}/started"\nsleep 0.2\nexec "{program}" "$@"\n')
    os.chmod(slow, 0o755)
    out = os.path.join(work, "summary")
    job = start("job", "org.apache.spark.deploy.SparkSubmit", "--master", master, "--conf", "spark.executor.memory=512m",
                "--conf", "spark.executor.cores=1", os.path.join(here, "summarise.py"), "--captures", folder, "--out", out,
                "--lostnode", slow, "--captures-per-task", "5")
    processes.append(job)
    for _ in range(1500):
        started = os.path.exists(os.path.join(work, "started")) and sum(1 for _ in open(os.path.join(work, "started"), encoding="utf-8"))
        if started and started >= 20:
            break
        if job.poll() is not None:
            sys.exit("the job ended early:\n" + log("job"))
        time.sleep(0.1)
    kill(processes[2])
    # The executor runs in a session of the worker's making on some systems; find it by its folder.
    subprocess.run(["pkill", "-9", "-f", os.path.join(work, "worker-2")], check=False)
    print(f"killed a worker after {started} captures were begun")
    if job.wait(timeout=600) != 0:
        sys.exit("the job failed:\n" + log("job"))
    if not re.search(r"(?i)lost|executor.*(removed|exited)", log("job") + log("master")):
        sys.exit("no worker was missed: the kill came too late")
finally:
    for process in processes:
        kill(process)

batch = os.path.join(work, "batch")
subprocess.run([program, "batch", folder, "--out", batch], check=False, stdout=subprocess.DEVNULL)
ours = pq.read_table(os.path.join(batch, "summary.parquet")).to_pylist()
theirs = sorted(pq.read_table(out).to_pylist(), key=lambda row: row["path"].encode())
ours.sort(key=lambda row: row["path"].encode())
if ours != theirs:
    for one, other in zip(ours, theirs):
        if one != other:
            print("batch:", one, "\nspark:", other)
    sys.exit(f"{len(ours)} rows of batch, {len(theirs)} rows of the cluster, and they differ")
print(f"{len(theirs)} rows, the same as batch: {sorted({row['verdict'] for row in theirs})}")

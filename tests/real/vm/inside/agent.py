"""Runs shell commands that come over a virtio-serial port, each in a thread of its own: one JSON object a line."""

import json
import os
import subprocess
import threading

PORT = "/dev/virtio-ports/saltern.agent"
answering = threading.Lock()


def obey(port: int, asked: dict) -> None:
    try:
        done = subprocess.run(
            ["/bin/bash", "-c", asked["command"]],
            input=asked.get("input", "").encode("latin-1"),
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            timeout=asked["within_s"],
            check=False,
        )
        code, said = done.returncode, done.stdout
    except subprocess.TimeoutExpired as late:
        code, said = 124, late.stdout or b""
    answer = {"id": asked["id"], "code": code, "said": said.decode("utf-8", "replace")}
    with answering:
        rest = json.dumps(answer).encode() + b"\n"
        while rest:
            rest = rest[os.write(port, rest) :]


def main() -> None:
    port = os.open(PORT, os.O_RDWR)
    come = b""
    while True:
        some = os.read(port, 65536)
        if not some:  # nobody is at the other end
            threading.Event().wait(0.05)
            continue
        come += some
        *lines, come = come.split(b"\n")
        for line in lines:
            threading.Thread(target=obey, args=(port, json.loads(line)), daemon=True).start()


main()

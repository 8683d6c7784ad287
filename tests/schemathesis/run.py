"""Runs schemathesis against a running service, as every role and as nobody, and prints one line for each.

Arguments: the line of JSON that `cargo xtask up --json` prints, the contract, a folder for reports, and, if wanted, how
many cases an operation gets in each phase. The cases are the same in every run. Ends with 1 where any check failed.
"""

import json
import os
import subprocess
import sys
import time
import urllib.request
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent

# Who speaks for each role in the demo. The administrator comes last and alone: what is drawn at random there may change
# other people's accounts.
SPEAKERS = {
    "operator": "operator-port-ellery",
    "store_keeper": "stores-port-ellery",
    "inspector": "inspector-port-ellery",
    "technician": "technician-port-ellery",
    "yard_lead": "lead-port-ellery",
    "safety": "safety",
    "auditor": "auditor",
    "integration": "erp",
    "nobody": None,
    "administrator": "administrator",
}
LAST = "administrator"

# Roles whose requests are also put together into sequences: those that write most.
IN_SEQUENCES = {"yard_lead", "administrator"}
# How often an id in a path is one that exists.
EXISTING = 0.8
# Cases for each operation and phase, unless more are asked for.
CASES = 10


@dataclass
class Result:
    """What came of one role."""

    role: str
    report: dict[str, Any] | None
    said: str
    seconds: float

    @property
    def passed(self) -> bool:
        """Whether every check passed and nothing was left undone."""
        return self.report is not None and self.report["exit_code"] == 0 and self.report["complete"]

    def line(self) -> str:
        """One line of the table."""
        if self.report is None:
            return f"{self.role:<14} did not run"
        cases, operations = self.report["test_cases"], self.report["operations"]
        return (
            f"{self.role:<14} {operations['tested']:>10} {cases['generated']:>8} "
            f"{cases['unique_failures']:>8} {cases['errored']:>8} {self.seconds:>8.1f}"
        )


class Runner:
    """One service, one contract."""

    def __init__(self, ready: str, contract: str, reports: str, cases: int) -> None:
        told = json.loads(ready)
        self.url: str = told["url"]
        self.passwords = {account["email"]: account["password"] for account in told["accounts"]}
        self.contract = contract
        self.reports = Path(reports)
        self.cases = cases

    def config(self) -> Path:
        """The configuration with what exists in the demo: ids drawn at random would only ever be unknown."""
        asked = self.token("safety")
        known = {name: self.ids(asked, f"/v1/{name}?limit=200") for name in ("clamps", "yards", "models", "users")}
        lines = [(HERE / "schemathesis.toml").read_text()]
        for name, ids in known.items():
            lines += [f"[dictionaries.{name}]", f"values = {json.dumps(ids)}"]
        often = f"probability = {EXISTING}"
        lines += ["[parameters]", f'"path.clamp_id" = {{ dictionary = "clamps", {often} }}']
        for name in ("yards", "models", "users"):
            lines += [
                "[[operations]]",
                f'include-path-regex = "^/v1/{name}/"',
                "[operations.parameters]",
                f'"path.id" = {{ dictionary = "{name}", {often} }}',
            ]
        path = self.reports / "schemathesis.toml"
        path.write_text("\n".join(lines) + "\n")
        return path

    def ids(self, token: str, path: str) -> list[str]:
        """The ids of a list."""
        request = urllib.request.Request(self.url + path, headers={"Authorization": f"Bearer {token}"})
        with urllib.request.urlopen(request) as answer:
            ids = [str(item["id"]) for item in json.load(answer)["items"]]
        assert ids, f"the demo has nothing at {path}"
        return ids

    def token(self, speaker: str) -> str:
        """An access token, which is valid for longer than a role takes."""
        email = f"{speaker}@halvorsund.example"
        body = json.dumps({"email": email, "password": self.passwords[email]}).encode()
        request = urllib.request.Request(f"{self.url}/v1/auth/token", body, {"Content-Type": "application/json"})
        with urllib.request.urlopen(request) as answer:
            return str(json.load(answer)["access_token"])

    def run(self, role: str) -> Result:
        """Everything as one role."""
        begun = time.monotonic()
        speaker = SPEAKERS[role]
        report = self.reports / f"{role}.json"
        report.unlink(missing_ok=True)
        phases = ["examples", "coverage", "fuzzing"] + ["stateful"] * (role in IN_SEQUENCES)
        command = [str(Path(sys.executable).with_name("schemathesis")), "--config-file", str(self.reports / "schemathesis.toml")]
        command += ["run", self.contract, "--url", self.url, "--no-color", "--checks", "all"]
        command += ["--max-examples", str(self.cases), "--phases", ",".join(phases)]
        command += ["--report", "json", "--report-json-path", str(report)]
        if speaker is not None:
            command += ["--header", f"Authorization: Bearer {self.token(speaker)}"]
        environment = {**os.environ, "SCHEMATHESIS_HOOKS": "checks", "PYTHONPATH": str(HERE), "PYTHONDONTWRITEBYTECODE": "1"}
        done = subprocess.run(command, env=environment, cwd=self.reports, capture_output=True, text=True, check=False)
        (self.reports / f"{role}.txt").write_text(done.stdout + done.stderr)
        told = json.loads(report.read_text()) if report.exists() else None
        return Result(role, told, done.stdout + done.stderr, time.monotonic() - begun)


def main() -> int:
    """Two roles at a time; their lines in the order of the table."""
    ready, contract, reports, *rest = sys.argv[1:]
    Path(reports).mkdir(parents=True, exist_ok=True)
    runner = Runner(ready, contract, reports, int(rest[0]) if rest else CASES)
    runner.config()
    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        results = list(pool.map(runner.run, [role for role in SPEAKERS if role != LAST]))
    results.append(runner.run(LAST))
    table = [f"{'role':<14} {'operations':>10} {'cases':>8} {'failures':>8} {'errors':>8} {'seconds':>8}"]
    table += [result.line() for result in results]
    text = "\n".join(table)
    (Path(reports) / "summary.txt").write_text(text + "\n")
    for result in results:
        if not result.passed:
            print(f"── as {result.role}\n{result.said}")
    print(text)
    return 0 if all(result.passed for result in results) else 1


if __name__ == "__main__":
    sys.exit(main())

"""Ask for known vulnerabilities of the installed packages; without an answer, say so and go on."""

import json
import subprocess
import sys
from pathlib import Path

COMMAND = [str(Path(sys.executable).parent / "pip-audit"), "--local", "--format", "json"]
COMMAND += ["--progress-spinner", "off", "--timeout", "10"]
SECONDS = 120


def audited():
    """What pip-audit says of each package, or an empty list where it had no answer."""
    try:
        done = subprocess.run(COMMAND, capture_output=True, text=True, timeout=SECONDS)
        return json.loads(done.stdout)["dependencies"]
    except (subprocess.TimeoutExpired, ValueError, KeyError, OSError):
        return []


def main():
    """Exit 1 where a package has a known vulnerability."""
    packages = audited()
    answered = [package for package in packages if "skip_reason" not in package]
    if not answered:
        print("Not audited: no advisories can be reached from here.")
        return 0
    found = [(package, vuln) for package in answered for vuln in package["vulns"]]
    for package, vuln in found:
        fixed = ", ".join(vuln["fix_versions"]) or "no version yet"
        print(f"{package['name']} {package['version']}: {vuln['id']}, fixed in {fixed}")
    print(f"{len(answered)} of {len(packages)} packages audited: {len(found) or 'nothing'} known.")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())

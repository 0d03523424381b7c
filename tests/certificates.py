"""A certificate authority of our own, and a server certificate by it, made by openssl."""

from __future__ import annotations

import subprocess
from pathlib import Path


def certify(folder: Path, name: str = "127.0.0.1") -> None:
    """Make ca.pem, and host.pem with host.key signed by it for an address."""

    def openssl(*arguments: str) -> None:
        subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True, timeout=30)

    ca = "basicConstraints=critical,CA:TRUE\nkeyUsage=critical,keyCertSign,cRLSign\nsubjectKeyIdentifier=hash\n"
    host = f"subjectAltName=IP:{name}\nextendedKeyUsage=serverAuth\nkeyUsage=critical,digitalSignature\n"
    (folder / "ca.ext").write_text(ca)
    (folder / "host.ext").write_text(f"{host}authorityKeyIdentifier=keyid\n")
    for who in ("ca", "host"):
        openssl("ecparam", "-name", "prime256v1", "-genkey", "-noout", "-out", f"{who}.key")
        openssl("req", "-new", "-key", f"{who}.key", "-subj", f"/CN=test {who}", "-out", f"{who}.csr")
    sign = ("x509", "-req", "-days", "30")
    openssl(*sign, "-in", "ca.csr", "-signkey", "ca.key", "-extfile", "ca.ext", "-out", "ca.pem")
    by_ca = ("-CA", "ca.pem", "-CAkey", "ca.key", "-set_serial", "7")
    openssl(*sign, "-in", "host.csr", *by_ca, "-extfile", "host.ext", "-out", "host.pem")

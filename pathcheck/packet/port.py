"""Port names and numbers of TCP, UDP and SCTP.

Numbers: IANA Service Name and Transport Protocol Port Number Registry, and
``/etc/services`` of Debian netbase 6.4. That access lists accept a spelling
(`www`, `cmd`, `lpd`, `pim-auto-rp`, `dnsix`, `mobile-ip`, `netbios-ss`,
`non500-isakmp`, `rip`, `bfd`) is from memory, common practice. So are the
numbers of registered names that netbase does not have and that the published
cases of the tests do not hold either, as `mqtt`, `ipfix`, `vxlan`.

A name is accepted for each protocol that has ports and means the same number
there, unless that number belongs to something else in the other protocol:
512 to 514 and 520 are different services in TCP and UDP, and `dnsix` is 195
in access lists but 90 in the registry.
"""

from __future__ import annotations

from pathcheck.packet.protocol import PORT_PROTOCOLS, TCP, UDP

__all__ = ["PORT_NAMES", "Port", "port_name", "port_number"]

Port = int
"""0..65535."""

# The first name of a number is the one that is printed.
_TCP: dict[str, Port] = {
    "tcpmux": 1, "echo": 7, "discard": 9, "systat": 11, "daytime": 13, "netstat": 15, "qotd": 17, "chargen": 19,
    "ftp-data": 20, "ftp": 21, "ssh": 22, "telnet": 23, "smtp": 25, "mail": 25, "time": 37, "whois": 43,
    "nicname": 43, "tacacs": 49, "domain": 53, "dns": 53, "tacacs-ds": 65, "gopher": 70, "finger": 79, "www": 80,
    "http": 80, "www-http": 80, "kerberos": 88, "hostname": 101, "iso-tsap": 102, "pop2": 109, "pop3": 110,
    "pop-3": 110, "sunrpc": 111, "portmapper": 111, "ident": 113, "auth": 113, "nntp": 119, "epmap": 135,
    "netbios-ssn": 139, "netbios-ss": 139, "imap2": 143, "imap": 143, "imap4": 143, "bgp": 179, "irc": 194,
    "ldap": 389, "https": 443, "pim-auto-rp": 496, "pim-rp-disc": 496, "exec": 512,
    "login": 513, "cmd": 514, "shell": 514, "syslog": 514, "lpd": 515, "printer": 515, "talk": 517, "uucp": 540,
    "klogin": 543, "kshell": 544, "rtsp": 554, "nntps": 563, "submission": 587, "ipp": 631, "ldaps": 636,
    "msdp": 639, "ldp": 646, "netconf-ssh": 830, "netconf": 830, "domain-s": 853, "rsync": 873, "ftps-data": 989,
    "ftps": 990, "imaps": 993, "pop3s": 995, "socks": 1080, "h323": 1720, "pptp": 1723, "mqtt": 1883, "nfs": 2049,
    "radsec": 2083, "nfsd": 2049, "iscsi-target": 3260, "drip": 3949, "svn": 3690, "sip": 5060, "sips": 5061,
    "amqps": 5671, "amqp": 5672, "syslog-tls": 6514, "http-alt": 8080, "secure-mqtt": 8883, "git": 9418,
}  # fmt: skip
_UDP: dict[str, Port] = {
    "echo": 7, "discard": 9, "daytime": 13, "chargen": 19, "time": 37, "nameserver": 42, "tacacs": 49, "domain": 53,
    "dns": 53, "tacacs-ds": 65, "bootps": 67, "bootpc": 68, "tftp": 69, "kerberos": 88, "sunrpc": 111,
    "portmapper": 111, "ntp": 123, "netbios-ns": 137, "netbios-dgm": 138, "netbios-ss": 139, "netbios-ssn": 139,
    "snmp": 161, "snmptrap": 162, "snmp-trap": 162, "xdmcp": 177, "dnsix": 195, "ptp-event": 319,
    "ptp-general": 320, "mobile-ip": 434, "mobileip-agent": 434, "pim-auto-rp": 496, "pim-rp-disc": 496,
    "isakmp": 500, "biff": 512, "comsat": 512, "who": 513, "whod": 513, "syslog": 514, "talk": 517, "ntalk": 518,
    "rip": 520, "router": 520, "route": 520, "routed": 520, "ripng": 521, "dhcpv6-client": 546,
    "dhcpv6-server": 547, "ldp": 646, "domain-s": 853, "l2tp": 1701, "radius": 1812, "radius-acct": 1813,
    "radacct": 1813, "nfs": 2049, "bfd": 3784, "bfd-control": 3784, "bfd-echo": 3785, "non500-isakmp": 4500,
    "ipsec-nat-t": 4500, "ipfix": 4739, "bfd-multi-ctl": 4784, "vxlan": 4789, "sip": 5060, "sips": 5061,
    "capwap-control": 5246, "capwap-data": 5247, "mdns": 5353, "sflow": 6343,
}  # fmt: skip
PORT_NAMES: dict[int, dict[str, Port]] = {TCP: _TCP, UDP: _UDP}
"""Number by name, by protocol. Names of one protocol can hold in others, see :func:`port_number`."""

_ONE_PROTOCOL_ONLY = frozenset({
    "exec", "login", "cmd", "shell", "biff", "comsat", "who", "whod", "rip", "router", "route", "routed", "dnsix",
})  # fmt: skip
_NAME_BY_NUMBER = {
    protocol: {number: name for name, number in reversed(names.items())} for protocol, names in PORT_NAMES.items()
}


def port_number(word: str, protocol: int | None) -> Port | None:
    """Return the port that a name or a decimal number means, None where it is neither.

    Parameters
    ----------
    word
        A name in any case, or 0..65535.
    protocol
        Number of the protocol that the port belongs to. None where it is not
        known: the name is looked for in TCP, then in UDP.

    Examples
    --------
    >>> port_number("www", 6), port_number("syslog", 17), port_number("8080", None)
    (80, 514, 8080)
    >>> port_number("who", 6) is None
    True
    """
    if word.isascii() and word.isdigit():
        return int(word) if len(word) <= 5 and int(word) <= 65535 else None
    name = word.lower()
    if protocol is None:
        return _TCP.get(name, _UDP.get(name))
    if protocol not in PORT_PROTOCOLS:
        return None
    own = PORT_NAMES.get(protocol, {})
    if name in own:
        return own[name]
    return None if name in _ONE_PROTOCOL_ONLY else _TCP.get(name, _UDP.get(name))


def port_name(number: Port, protocol: int | None) -> str | None:
    """Return the name that :func:`port_number` reads back for that protocol, None where there is none.

    Only names of the protocol's own table are given, so that a list is not
    written with a word that devices know for another protocol only.

    Examples
    --------
    >>> port_name(80, 6), port_name(513, 17), port_name(4444, 6)
    ('www', 'who', None)
    """
    if protocol is None:
        return _NAME_BY_NUMBER[TCP].get(number) or _NAME_BY_NUMBER[UDP].get(number)
    return _NAME_BY_NUMBER.get(protocol, {}).get(number)

"""A small fleet in which blank switches come up, to break at one place at a time."""

from collections.abc import Mapping

ROUTER = """hostname terminal-north
ip routing
vlan 90
vlan 99
vlan 900
interface Ethernet1
 switchport mode access
 switchport access vlan 90
interface Ethernet10
 switchport mode trunk
 switchport trunk native vlan 900
 switchport trunk allowed vlan 99,900
interface Vlan90
 ip address 10.20.90.1 255.255.255.0
{servers}
interface Vlan99
 ip address 10.20.99.1 255.255.255.0
interface Vlan900
 ip address 10.20.200.1 255.255.255.0
 ip helper-address 10.20.90.67
{provisioning}
{lists}
"""
HOST = """hostname quay-a
no ip routing
vlan 99
vlan 900
interface Ethernet1
 switchport mode trunk
 switchport trunk native vlan 900
interface Vlan99
 ip address 10.20.99.11 255.255.255.0
ip default-gateway 10.20.99.1
"""
BOOT = """hostname blank
no ip routing
vlan 900
interface Ethernet1
 switchport mode access
 switchport access vlan 900
interface Vlan900
 ip address dhcp
"""
FLEET = """devices:
  quay-a: {serial: FY26A0011, management: 10.20.99.11}
  terminal-north: {serial: FY26T0003, management: 10.20.99.1}
links:
  - terminal-north:Ethernet10 quay-a:Ethernet1
places: {controller: 10.20.90.5}
bootstrap:
  - file: quay.boot
    devices: [quay-a]
    vlan: 900
    subnet: 10.20.200.0/24
    pool: 10.20.200.100-10.20.200.199
    gateway: 10.20.200.1
    dhcp: 10.20.90.67
    server: 10.20.90.6
    protocols: [tftp, https]
"""


def bootstrap_fleet(
    *,
    provisioning: str = "",
    servers: str = "",
    lists: str = "",
    boot: str | None = BOOT,
    replaced: Mapping[str, str] | None = None,
) -> dict[str, bytes]:
    """The files; lists are bound by lines on the interface of the provisioning subnet, or of the servers'."""
    files = {
        "terminal-north.cfg": ROUTER.format(provisioning=provisioning, servers=servers, lists=lists),
        "quay-a.cfg": HOST,
        "fleet.yaml": FLEET,
    }
    if boot is not None:
        files["quay.boot"] = boot
    for old, new in (replaced or {}).items():
        assert any(old in text for text in files.values()), f"nothing has {old!r}"
        files = {name: text.replace(old, new) for name, text in files.items()}
    return {name: text.encode() for name, text in files.items()}

hostname blank
no ip routing
vlan 900
interface Ethernet1
 switchport mode access
 switchport access vlan 900
interface Vlan900
 ip address dhcp

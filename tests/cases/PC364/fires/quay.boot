hostname blank
vlan 900
interface Ethernet1
 switchport mode access
 switchport access vlan 900
interface Vlan900
! expect: PC364
 ip address 10.20.200.50 255.255.255.0

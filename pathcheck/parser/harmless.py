"""Table of the lines that cannot change where a unicast packet goes, nor whether it passes.

They are ignored. What stands here was judged by hand (common practice, no source):
a line belongs here if, whatever its values are, each routed packet is decided as
without it. What can change that belongs to `unmodelled.py`, also if it seldom does.
Lines below a block header of this table are ignored with it; the modes below only
tell which lines belong to the block in texts without indentation.
"""

from __future__ import annotations

from collections.abc import Iterator

from pathcheck.parser.commands import Command, Mode, Tables, ignored
from pathcheck.parser.list_use import looks, uses

__all__ = ["COMMANDS", "MODES"]

MODES: tuple[Mode, ...] = ()


def _each(text: str, opens: str | None = None) -> tuple[Command, ...]:
    """Return one row for each line of a text; `#` begins a comment, a colon at the end a block."""
    heads = [head for line in text.splitlines() if (head := line.partition("#")[0].strip())]
    return (
        *ignored(*(head for head in heads if not head.endswith(":")), opens=opens),
        *ignored(*(head[:-1] for head in heads if head.endswith(":")), opens=opens or "ignored block"),
    )


_BLOCKS = {
    # mode: the headers that open it
    "aaa": "aaa\ntacacs\nradius\nldap",
    "address pool": "ip dhcp pool\nipv6 dhcp pool\nip dhcp class\ndhcp server\ndhcp pool",
    "archive": "archive",
    "certificates": "crypto pki trustpoint\ncrypto pki certificate\ncrypto ca\ncrypto pki server\npki\ncrypto pki",
    "key exchange": "crypto isakmp\ncrypto ikev2\ncrypto ipsec\ncrypto keyring\ncrypto call\ncrypto engine",
    "keys": "key chain\nkey config-key\ncrypto key\nip ssh pubkey-chain\nmka\nmacsec",
    "measurement": "ip sla\ntrack\nip sla monitor",
    "redundancy": "redundancy",
    "call home": "call-home\ncallhome",
    "management service": """
        management api
        management telnet
        management console
        management security
        management defaults
        management cvx
        management tech-support
        management xmpp
        management sessions
        management accounts
    """,
}

COMMANDS: Tables = {
    "top": (
        *(_each(heads, opens=mode) for mode, heads in _BLOCKS.items()),
        _each("""
            # --- of the device itself ---
            version
            service
            boot-start-marker
            boot-end-marker
            boot
            username:
            user
            password
            passwords
            en|able
            disable
            login
            license:
            upgrade
            install
            platform
            diagnostic
            transceiver:
            memory
            memory-size
            scheduler
            exception
            process
            processes
            process-max-time
            parser:
            file
            microcode
            environment
            facility-alarm
            alarm
            alarm-contact
            power
            poe
            power-supply
            power-over-ethernet
            poap
            hw-module
            hw-switch
            fpd
            fabric switching-mode
            module
            slot:
            card
            chassis
            stack:
            stack-mac
            stack-power
            stacking
            switch:
            vsf:
            usb
            locator-led
            beacon
            sdm
            limit-resource
            vdc:
            feature
            feature-set
            install feature-set
            cfs
            hardware:
            agent
            daemon:
            queue-monitor
            prompt
            location
            contact
            system mtu
            system jumbomtu
            system cores
            system memory
            system memory-thresholds
            system ignore
            system trace
            system interface
            system console
            system vlan
            system config
            system l1:
            system env
            system environment
            system disable
            system name
            system contact
            system location
            system resource-template
            system qos:
            session-limit
            session-timeout
            secure
            security
            fips
            # --- time and names ---
            clock
            time
            timezone
            ntp:
            sntp
            ptp:
            calendar
            domain
            dns
            nameserver
            ip domain
            ip domain-name
            ip domain-list
            ip domain-retry
            ip dns
            ip tacacs
            ip radius
            ip host
            ip hostname
            ipv6 host
            # --- watching and managing it ---
            logging
            log
            logfile
            monitor:
            icam
            copp
            syslog
            trap
            traps
            debug
            undebug
            snmp-server:
            snmp
            snmpv3
            rmon
            eem:
            sflow
            netflow
            sampler:
            flow exporter:
            flow monitor:
            flow record:
            flow-sampler-map:
            flow timeout
            flow-export
            ip flow
            ip flow-cache
            ip flow-export
            ip flow-top-talkers:
            ip flow-capture
            ip flow-aggregation
            ip accounting
            ip accounting-list
            ip accounting-threshold
            ip nbar:
            ip http
            ip https
            http
            https
            http-server
            https-server
            web-management
            web-server
            webauth
            rest
            restconf
            netconf
            netconf-yang
            netconf-server:
            nxapi
            grpc:
            gnxi
            gnmi
            telemetry:
            xml:
            yang
            openconfig:
            odm
            event-history
            guestshell
            iox
            app-hosting:
            virtual-service:
            container:
            wsma:
            cns:
            onep
            ssh
            ip ssh
            ip scp
            ip sftp
            ip telnet
            ip finger
            ip ftp
            ip tftp
            ip rcmd
            ip bootp
            ip identd
            ftp
            ftp-server
            tftp
            tftp-server
            scp
            sftp
            rsh
            rlogin
            rcmd
            lldp:
            cdp
            mmi
            xdp
            dhcp relay:
            dhcp snooping
            dhcp-relay
            dhcpv4-snooping trust
            alias
            cli
            macro:
            menu
            no-page
            pager
            page
            kron occurrence:
            scheduler schedule:
            checkpoint
            rollback
            configuration
            vty-pool
            line-pool
            banner-timeout
            privilege
            role:
            taskgroup:
            usergroup:
            user-group
            tcam:
            load-balance:
            event-monitor
            ip hardware
            cvx:
            stun:
            application:
            email:
            address locking:
            domain-name
            profile
            allow-unsafe-updates
            cli-session:
            ip source-interface
            ipv6 source-interface
            apply qos
            apply fault-monitor
            fault-monitor:
            ip-sla:
            dhcp-server:
            dhcpv6-server:
            ubt:
            gbp
            client track
            mdns-sd
            device-fingerprinting
            mac-notify
            unsupported-transceiver
            system resource-utilization-poll-interval
            nae-agent
            nae-script
            external-storage:
            auto-confirm
            diag-dump
            tcp
            icmp
            rsvp:
            tpa:
            performance-mgmt:
            lpts:
            sampler-map:
            flow exporter-map:
            flow monitor-map:
            ipsla:
            fault-manager
            dhcp ipv4:
            dhcp ipv6:
            load-balancing
            linux:
            lslib-server
            root
            ipv4 netmask-format
            end-class-map
            end-policy-map
            stackwise-virtual:
            profinet
            cip
            route-tag
            ip policy-list:
            ip nhrp
            config-register
            aqm-register-fnf
            map-class:
            performance:
            avb
            warm-reboot
            nls
            cpd
            ss7
            ppp
            software
            remote-management:
            netflow-export
            energywise
            vlan accounting
            system disk
            system login
            switching-mode
            ngoam
            ip adjacency
            interface breakout
            fabric timer
            fabric required
            fabric buffer-reserve
            transport-map:
            template:
            service-template:
            device-sensor
            device-tracking:
            ip device
            ip admission watch-list
            radius-server
            radius-common-pw
            tacacs-server
            tacacs+
            ldap-server
            dot1x
            mab
            authentication
            access-session
            port-access:
            identity:
            eap:
            epm:
            nmsp
            wireless:
            wlan:
            ap:
            ap-group:
            dot11:
            capwap:
            # --- layer 2, by the survey's table ---
            vlan internal
            vlan dot1q vlan-encapsulation
            vlan group
            vtp domain
            vtp version
            vtp password
            vtp pruning
            vtp interface
            vtp file
            vtp mode transparent
            vtp mode off
            port-channel
            port-security
            lacp:
            pagp
            errdisable
            error-disable
            udld
            storm-control
            loopback-detection
            loop-protect
            mac address-table
            mac-address-table aging-time
            mac-address-table notification
            mac-address-table learning
            mac-address-table move
            mac-learn
            l2protocol
            l2protocol-tunnel
            ethernet:
            rep
            erps:
            garp
            gvrp
            mvrp
            arp
            ip arp
            ip gratuitous-arps
            ip sticky-arp
            ipv6 neighbor
            ipv6 nd:
            # --- quality of service that only orders and marks queues ---
            mls
            auto
            auqos
            qos:
            queue-limit
            queue-list
            priority-list
            priority-flow-control
            wrr-queue
            srr-queue
            table-map:
            # --- IP in general ---
            ip routing protocol
            ip cef
            ipv6 cef
            cef
            ip classless
            ip subnet-zero
            ip forward-protocol
            ip icmp
            ip tcp
            ipv6 tcp
            ip udp
            ip options
            ip option
            ip load-sharing
            ip redirects
            ip unreachables
            ip mtu
            ip path-mtu
            ip bfd
            bfd:
            ip fragment
            ip reflexive-list
            ip rsvp
            ip sap
            ip spd
            ip audit
            ip sdee
            ip tftp-server
            ip drp
            ip kerberos
            ip local pool
            ip dhcp
            ip dhcp-server
            ip dhcp-client
            ip dhcp-relay
            ip virtual-router mac-address
            ip virtual-router advertisement-interval
            fabric forwarding anycast-gateway-mac
            ip community-list
            ip extcommunity-list
            ip bgp-community
            ip ospf
            ip eigrp
            ip large-community-list
            ip as-path
            ip prefix-list:
            ipv6 prefix-list:
            prefix-list:
            ip explicit-path:
            ip rtp
            ipv4 conflict-policy
            ipv6 hop-limit
            ipv6 ospf
            ipv6 unreachables
            ipv6 icmp
            ipv6 ioam
            ipv6 dhcp:
            ipv6 dhcp-relay
            ipv6 local
            ipv6 general-prefix
            ipv6 mtu
            ipv6 snooping:
            ipv6 destination-guard:
            ipv6 mobile
            multilink
            subscriber:
            virtual-profile
            async
            async-bootp
            chat-script
            modemcap
            partition
            isdn:
            dial-control-mib
            dialer-list
            call:
            call-history-mib
            cellular
            frame-relay switching
            netbios
            no source-bridge
            x25
            fhrp
            load-interval
            patch:
            reload
            sshd
            sync-e
            synce
            network-clock
            network-clock-participate
            network-clock-select
            frequency:
            esmc
            crypto vpn
            crypto logging
            crypto mib
            crypto ssl
            crypto xauth
            crypto identity
            crypto fips
            # --- telephony ---
            gatekeeper:
            gateway:
            mgcp
            ccm-manager
            sccp:
            sip-ua:
            sip
            voice:
            voice-port:
            voice-card:
            dial-peer:
            telephony-service:
            ephone:
            ephone-dn:
            ephone-template:
            credentials:
            dspfarm:
            h323
            stcapp
            num-exp
            translation-rule:
            translation-profile:
            codec
            # --- typed at a prompt, not kept ---
            conf|igure
            sh|ow
            wr|ite
            cop|y
            erase
            delete
            dir
            more
            ping
            traceroute
            terminal
            clear
            do
            logout
            commit
            test
        """),
        # --- lists that a service uses ---
        uses("snmp-server community <word> ro", "SNMP"),
        uses("snmp-server community <word> rw", "SNMP"),
        uses("snmp-server community <word> use-acl", "SNMP"),
        uses("snmp-server community <word> use-ipv4acl", "SNMP"),
        uses("snmp-server tftp-server-list", "SNMP"),
        uses("ntp access-group", "NTP", at=1),
        uses("ip http access-class", "the web server"),
        uses("ip http secure-access-class", "the web server"),
        uses("ip arp inspection filter", "ARP inspection"),
        uses("ip tcp selective-ack", "TCP"),
        uses("debug ip packet", "debugging"),
        uses("dialer-list <number> protocol ip list", "dialing on demand"),
        uses("dialer-list <number> list", "dialing on demand"),
        uses("queue-list <number> protocol ip <number> list", "queueing"),
        uses("priority-list <number> protocol ip <word> list", "queueing"),
        # --- blocks whose lines stand at the margin too ---
        ignored("route-map", "route-policy", opens="route map"),
        ignored("class-map", "class", opens="class map"),
        ignored("time-range", "prefix-set", "community-set", "as-path-set", "rd-set", opens="definition"),
        ignored("extcommunity-set", "as-set", "parameter-map", "policy-options", "object-list", opens="definition"),
        ignored("class-group", "peer-filter", "control-plane-host", opens="definition"),
        ignored("end-policy", "end-set"),
        ignored("controller", opens="ignored block"),
        ignored("spanning-tree"),
        ignored("spanning-tree mst configuration", opens="spanning tree"),
    ),
    "route map": (
        _each("""
            match
            set
            description
            continue
            if
            else
            elseif
            endif
            pass
            drop
            done
            apply
        """),
        looks("match ip address", "a route map", most=10),
        looks("match ipv6 address", "a route map", most=10),
        looks("match ip next-hop", "a route map", most=10),
        looks("match ip route-source", "a route map", most=10),
    ),
    "class map": (
        _each("""
            match
            description
        """),
        looks("match access-group", "a traffic class"),
        looks("match access-group name", "a traffic class"),
        looks("match not access-group", "a traffic class"),
        looks("match access-list", "a traffic class"),
    ),
    "definition": _each("periodic\nabsolute"),
    "spanning tree": _each("name\nrevision\ninstance\nabort"),
    "aaa": _each("""
        server
        server-private
        address
        key
        timeout
        retransmit
        port
        pac
        automate-tester
        single-connection
        use-vrf
        source-interface
        deadtime
        vrf
        client
        auth-type
        ip vrf
        ip vrf forwarding
        ip radius source-interface
        ip tacacs source-interface
    """),
    "address pool": _each("""
        network
        default-router
        dns-server
        domain-name
        lease
        option
        host
        hardware-address
        client-identifier
        client-name
        netbios-name-server
        netbios-node-type
        next-server
        bootfile
        class
        import all
        address
        address prefix
        prefix-delegation
        link-address
        relay
        utilization
        subnet
        range
        tftp-server
    """),
    "archive": _each("log config\nlogging enable\nlogging size\nhidekeys\nnotify\npath\nwrite-memory\ntime-period"),
    "certificates": _each("""
        enrollment
        subject-name
        subject-alt-name
        revocation-check
        rsakeypair
        eckeypair
        fqdn
        ip-address none
        serial-number
        usage
        hash
        source
        certificate
        crl
        auto-enroll
        regenerate
        chain-validation
        keypair
        database
        issuer-name
        grant
        lifetime
        match certificate
    """),
    "key exchange": (
        _each("""
            encr
            encryption
            hash
            authentication
            group
            lifetime
            key
            pre-shared-key
            client
            mode
            set
            proposal
            prf
            integrity
            peer
            address
            match
            match identity
            match address
            keyring
            self-identity
            initiate
            virtual-template
            local-address
            dns
            domain
            pool
            save-password
            netmask
            identity:
        """),
        looks("acl", "an IPsec client's tunnel"),
    ),
    "keys": _each("key\nkey-string\nkey-hash\naccept-lifetime\nsend-lifetime"),
    "measurement": _each("""
        icmp-echo
        icmp-jitter
        udp-jitter
        udp-echo
        tcp-connect
        http
        dns
        dhcp
        frequency
        timeout
        threshold
        tag
        tos
        owner
        request-data-size
        verify-data
        history
        type
        source-ip
        vrf
        delay
        object
        threshold weight
    """),
    "redundancy": _each("mode\nmain-cpu\nauto-sync\nprotocol\nscheme\napplication\nmaintenance-mode"),
    "call home": _each("contact-email-addr\nprofile\nactive\ndestination\nsubscribe-to-alert-group\nhttp-proxy"),
    "management service": _each("shutdown\nprotocol\nvrf\nidle-timeout\ncors\ntransport\nport\ndefault\ncertificate"),
    "interface": (
        _each("""
            # --- the port itself ---
            name
            alias
            speed
            speed-duplex
            duplex
            negotiation
            monitor-session:
            bundle port-priority
            host-routing
            path-option
            destination
            signalled-name
            signalled-bandwidth
            affinity
            record-route
            fast-reroute
            hash
            client track
            nae-script
            persona
            l3-counters
            rate-limit broadcast
            rate-limit multicast
            rate-limit unknown-unicast
            rate-limit icmp
            service-profile
            l2-protocol
            bgp
            switchport source-interface
            loop-protection
            link-debounce
            unidirectional
            node-segment
            ip attached-host
            negotiate
            auto-negotiation
            autonegotiate
            mdix
            media-type
            mtu
            ip mtu
            ipv4 mtu
            ipv6 mtu
            mpls mtu
            bandwidth
            delay
            load-interval
            carrier-delay
            link debounce
            link state
            link-flap
            debounce
            dampening
            flowcontrol
            flow-control
            hold-queue
            transmit-interface
            keepalive
            clock
            clock rate
            clockrate
            encapsulation ppp
            encapsulation hdlc
            compress
            ppp
            pppoe enable
            pppoe-client
            serial
            physical-layer
            dce-terminal-timing-enable
            restart-delay
            crc
            framing
            cablelength
            invert
            idle-character
            half-duplex
            full-duplex
            beacon
            led
            logging
            log
            snmp
            rmon
            sflow
            fec
            forward-error-correction
            error-correction
            phy
            transceiver
            breakout
            hardware
            power
            power-over-ethernet
            poe
            inline
            energy-efficient-ethernet
            eee
            mac-address
            mac address
            medium
            priority-flow-control
            tx-ring-limit
            rx-ring-limit
            hw-module
            ethernet:
            l2protocol
            l2protocol-tunnel
            lane
            squelch
            optical
            vsx-sync
            # --- layer 2, by the survey's table ---
            spanning-tree
            storm-control
            loop-protect
            loopback-detection
            loopdetect
            udld
            cdp
            lldp:
            mop
            lacp
            pagp
            port-channel
            channel-protocol
            load-balancing
            rep
            switchport nonegotiate
            switchport trunk encapsulation
            switchport trunk pruning
            switchport priority
            mvr
            macsec
            mka
            cts manual:
            cts dot1x:
            ip sla
            energywise
            plim
            dsl
            ssid
            station-role
            antenna
            encryption
            dot11
            world-mode
            switchport autostate
            # --- quality of service that only orders and marks queues ---
            mls
            auto
            qos
            trust
            priority
            priority-queue
            queue-set
            queue-limit
            srr-queue
            wrr-queue
            rcv-queue
            tx-queue
            random-detect
            fair-queue
            custom-queue-list
            shape
            traffic-shape
            max-reserved-bandwidth
            nmsp
            wmm
            # --- IP ---
            ip redirects
            ip unreachables
            ip mask-reply
            ip information-reply
            ip proxy-arp
            ip local-proxy-arp
            ip virtual-reassembly
            ip reassembly
            ip route-cache
            ip mroute-cache
            ip load-sharing
            ip forward-helper
            ip dhcp-relay
            dhcp
            ip bootp-gateway
            ip broadcast-address
            ip tcp
            ip rtp
            ip arp
            arp
            ip gratuitous-arps
            ip sticky-arp
            ip accounting
            ip flow
            ip nbar
            ip rsvp
            ip sap
            ip security
            ip bandwidth-percent
            ip hello-interval
            ip hold-time
            ip authentication
            ip next-hop-self
            ip split-horizon
            ip summary-address
            ip dampening-change
            ip dampening-interval
            ip bfd
            ip icmp
            ip port-unreachable
            ip ospf
            ip eigrp
            ip rip
            ip isis
            ip bgp
            ip irdp
            ip probe
            ip cef
            ip ddns
            nameserver
            name-server
            bundle minimum-active
            bundle maximum-active
            bundle load-balancing
            bundle wait-while
            lacp-period
            ip device
            ipv4 unreachables
            ipv4 redirects
            ipv4 mask-reply
            ipv4 point-to-point
            ipv6 nd
            ipv6 redirects
            ipv6 unreachables
            ipv6 dhcp
            ipv6 dhcp-relay
            ipv6 tcp
            ipv6 ospf
            ipv6 ospfv3
            ipv6 eigrp
            ipv6 rip
            ipv6 hello-interval
            ipv6 hold-time
            ipv6 authentication
            ipv6 split-horizon
            ipv6 summary-address
            ipv6 bandwidth-percent
            ipv6 next-hop-self
            ipv6 isis
            ipv6 cef
            ipv6 flow
            ipv6 route-cache
            ipv6 virtual-reassembly
            ipv6 dad
            ipv6 neighbor
            ospfv3
            ospf
            eigrp
            isis
            rip
            bfd
            ntp
            tcp
            ptp
            synchronous
            flow
            netflow
            isdn
            modem
            peer
            async
            autodetect
            telemetry
            service-module
        """),
    ),
    "terminal lines": (
        _each("""
            login
            transport
            exec
            exec-timeout
            exec-character-bits
            exec-banner
            motd-banner
            banner
            password
            privilege
            logging
            stopbits
            databits
            parity
            speed
            rxspeed
            txspeed
            flowcontrol
            terminal
            terminal-type
            length
            width
            history
            location
            authorization
            accounting
            authentication
            session-timeout
            session-limit
            session-disconnect-warning
            absolute-timeout
            timeout
            timestamp
            rotary
            autocommand
            autocommand-options
            autohangup
            autoselect
            modem
            modem-enable
            escape-character
            disconnect-character
            activation-character
            hold-character
            international
            ip netmask-format
            ip tcp
            domain-lookup
            editing
            full-help
            monitor
            no-echo
            notify
            padding
            prc-interval
            dispatch-character
            dispatch-timeout
            start-character
            stop-character
            special-character-bits
            data-character-bits
            script
            lockable
            users
            idle-timeout
            protocol
            password-encryption
            media-type
            user-role
            callback
            stty
            cli
        """),
    ),
}  # fmt: skip


def heads() -> Iterator[tuple[str, str]]:
    """Return each row of the table, as mode and head, for the documentation and the tests."""
    for mode, rows in COMMANDS.items():
        for row in rows:
            for command in (row,) if isinstance(row, Command) else row:
                yield mode, command.head

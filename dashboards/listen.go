package dashboards

import (
	"fmt"
	"net"
	"strings"
)

// CheckListen refuses every address that is not on the loopback. The API has
// no users and no passwords: whoever reaches it can start and stop a
// measurement beside a crank that somebody is turning by hand.
func CheckListen(addr string) error {
	host, port, err := net.SplitHostPort(addr)
	if err != nil {
		return fmt.Errorf("listen %q: not host:port; write for example \"127.0.0.1:8484\"", addr)
	}
	if port == "" {
		return fmt.Errorf("listen %q: the port is missing; write for example \"127.0.0.1:8484\"", addr)
	}
	if isLoopback(host) {
		return nil
	}
	return fmt.Errorf("listen %q: only the loopback is served (127.0.0.1, [::1] or localhost), because there is no log-in and whoever reaches the page can change a measurement; listen on 127.0.0.1 and use an ssh tunnel to look from elsewhere", addr)
}

func isLoopback(host string) bool {
	if strings.EqualFold(host, "localhost") {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

package dashboards

import (
	"fmt"
	"net"
	"strconv"
	"strings"
	"sync"
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
	if _, err := strconv.ParseUint(port, 10, 16); err != nil {
		return fmt.Errorf("listen %q: %q is no port; write a number up to 65535, for example \"127.0.0.1:8484\"", addr, port)
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

// limit holds back new connections while n are open.
func limit(l net.Listener, n int) net.Listener {
	return &limited{Listener: l, free: make(chan struct{}, n), closed: make(chan struct{})}
}

type limited struct {
	net.Listener
	free   chan struct{}
	closed chan struct{}
	once   sync.Once
}

func (l *limited) Accept() (net.Conn, error) {
	select {
	case l.free <- struct{}{}:
	case <-l.closed:
		return nil, net.ErrClosed
	}
	c, err := l.Listener.Accept()
	if err != nil {
		<-l.free
		return nil, err
	}
	return &counted{Conn: c, leave: sync.OnceFunc(func() { <-l.free })}, nil
}

func (l *limited) Close() error {
	l.once.Do(func() { close(l.closed) })
	return l.Listener.Close()
}

type counted struct {
	net.Conn
	leave func()
}

func (c *counted) Close() error {
	defer c.leave()
	return c.Conn.Close()
}

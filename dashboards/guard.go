package dashboards

import (
	"fmt"
	"net"
	"net/http"
	"runtime/debug"
	"strings"
)

// guard is what every request passes: headers that keep a browser strict, the
// Host check (a foreign name that resolves to the loopback is an attack), the
// cross-origin check, and a net under panics.
func (s *Server) guard(next http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		writeProblem(w, newProblem(http.StatusForbidden, "cross-origin", "Another site may not do this",
			"the request was sent by a page of another origin", "use the program's own page, or a client that is not a browser"))
	}))
	protected := cross.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		strictHeaders(w.Header())
		defer s.recovered(w, r)
		if err := checkHost(r.Host); err != nil {
			writeProblem(w, newProblem(http.StatusMisdirectedRequest, "host", "This name is not served here", err.Error(),
				"use http://localhost, http://127.0.0.1 or http://[::1] with the port"))
			return
		}
		protected.ServeHTTP(w, r)
	})
}

func strictHeaders(h http.Header) {
	h.Set("Content-Security-Policy", "default-src 'self'; base-uri 'none'; object-src 'none'; form-action 'self'; frame-ancestors 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
}

// checkHost accepts the loopback's own names, with or without a port: through
// an ssh tunnel the port differs from the one that is listened on.
func checkHost(hostport string) error {
	host := hostport
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		host = h
	}
	if isLoopback(strings.Trim(host, "[]")) {
		return nil
	}
	return fmt.Errorf("the Host header is %q", hostport)
}

// recovered keeps one broken request from ending the daemon that is recording.
func (s *Server) recovered(w http.ResponseWriter, r *http.Request) {
	cause := recover()
	if cause == nil {
		return
	}
	if cause == http.ErrAbortHandler {
		panic(cause)
	}
	s.log.Error("a request panicked", "path", r.URL.Path, "cause", cause, "stack", string(debug.Stack()))
	writeProblem(w, problemOf(fmt.Errorf("panic: %v", cause)))
}

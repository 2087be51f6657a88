package webhook

import "syscall"

// Control is what the dialler asks before each connection.
func (g *Guard) Control(scheme string) func(network, address string, c syscall.RawConn) error {
	return g.control(scheme)
}

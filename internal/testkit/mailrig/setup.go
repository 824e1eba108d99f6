package mailrig

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	_ "embed"
	"encoding/pem"
	"fmt"
	"math/big"
	mathrand "math/rand/v2"
	"net"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"text/template"
	"time"
)

//go:embed postfix-main.cf
var mainSource string

//go:embed dovecot.conf
var dovecotSource string

// folders makes the rig's folder. It is not the test's own, which other users
// may not enter: Postfix and Dovecot work as users of their own.
func (r *Rig) folders(t testing.TB) {
	t.Helper()
	dir, err := os.MkdirTemp("", "mailrig-") // short: paths of sockets may have 107 bytes
	if err != nil {
		t.Fatal(err)
	}
	r.dir = dir
	postfix, _ := owner(t, "postfix")
	r.uid, r.gid = owner(t, "nobody")
	for name, uid := range map[string]int{"": 0, "postfix": 0, "queue": 0, "run": 0, "state": 0, "data": postfix, "mail": r.uid} {
		if err := os.MkdirAll(r.path(name), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.Chown(r.path(name), uid, -1); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(r.path(name), 0o755); err != nil {
			t.Fatal(err)
		}
	}
}

func owner(t testing.TB, name string) (uid, gid int) {
	t.Helper()
	u, err := user.Lookup(name)
	if err != nil {
		t.Fatal(err)
	}
	uid, err = strconv.Atoi(u.Uid)
	if err != nil {
		t.Fatal(err)
	}
	gid, err = strconv.Atoi(u.Gid)
	if err != nil {
		t.Fatal(err)
	}
	return uid, gid
}

func (r *Rig) write(t testing.TB, text string, path ...string) {
	t.Helper()
	if err := os.WriteFile(r.path(path...), []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	// Postfix waits for two seconds before it reads a table that was just written.
	before := time.Now().Add(-time.Hour)
	if err := os.Chtimes(r.path(path...), before, before); err != nil {
		t.Fatal(err)
	}
}

// queue makes the folders of Postfix's queue and finds its programs.
func (r *Rig) queue(t testing.TB) {
	t.Helper()
	if out, err := exec.Command(program("postfix"), "-c", r.path("postfix"), "check").CombinedOutput(); err != nil {
		t.Fatalf("Postfix refuses its settings: %v\n%s", err, out)
	}
	out, err := exec.Command(program("postconf"), "-c", r.path("postfix"), "-h", "daemon_directory").Output()
	if err != nil {
		t.Fatal(err)
	}
	r.master = filepath.Join(strings.TrimSpace(string(out)), "master")
}

// ports chooses ports that nobody has, below those that the system hands out.
func (r *Rig) ports(t testing.TB) {
	t.Helper()
	r.Logins = map[string]int{}
	for _, way := range ways() {
		r.Logins[way] = 0
	}
	taken := []int{0}
	next := func() int {
		for range 200 {
			port := 20_000 + mathrand.IntN(12_000)
			l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", port))
			if err != nil || slices.Contains(taken, port) {
				continue
			}
			_ = l.Close()
			taken = append(taken, port)
			return port
		}
		t.Fatal("no free port")
		return 0
	}
	r.Port, r.ClearPort, r.imap = next(), next(), next()
	for way := range r.Logins {
		r.Logins[way] = next()
	}
}

// ways are the ways to log in.
func ways() []string { return []string{"PLAIN", "LOGIN", "CRAM-MD5", "SCRAM-SHA-1", "SCRAM-SHA-256"} }

// configure writes the settings of both servers.
func (r *Rig) configure(t testing.TB) {
	t.Helper()
	fill := func(source, name string) {
		var b bytes.Buffer
		err := template.Must(template.New(name).Parse(source)).Execute(&b, map[string]any{
			"Dir": r.dir, "Domain": Domain, "SizeLimit": SizeLimit, "IMAP": r.imap, "UID": r.uid, "GID": r.gid, "Ways": strings.ToLower(strings.Join(ways(), " "))})
		if err != nil {
			t.Fatal(err)
		}
		r.write(t, b.String(), name)
	}
	fill(mainSource, "postfix/main.cf")
	fill(dovecotSource, "dovecot.conf")
	r.write(t, r.services(), "postfix", "master.cf")
	r.write(t, "", "postfix", "answers")
	r.write(t, Sender+" "+r.User+"\n", "postfix", "senders")
	users, boxes := r.User+":"+r.Password+"\n", ""
	for _, a := range r.mailboxes {
		users += a + ":" + r.Password + "\n"
		boxes += a + " here\n"
	}
	r.write(t, users, "users")
	r.write(t, boxes, "postfix", "mailboxes")
}

// services lists the services of Postfix. Each smtpd takes one connection and
// ends, so that a change of the tables counts from the next one on.
func (r *Rig) services() string {
	var b strings.Builder
	smtpd := func(port int, options string) {
		fmt.Fprintf(&b, "127.0.0.1:%d inet n - n - - smtpd -o max_use=1 %s\n", port, options)
	}
	smtpd(r.Port, "-o smtpd_sasl_mechanism_filter=plain,login")
	smtpd(r.ClearPort, "-o smtpd_tls_security_level=none -o smtpd_tls_auth_only=no")
	for way, port := range r.Logins {
		smtpd(port, "-o smtpd_sasl_mechanism_filter="+strings.ToLower(way))
	}
	b.WriteString(`pickup unix n - n 60 1 pickup
cleanup unix n - n - 0 cleanup
qmgr unix n - n 300 1 qmgr
tlsmgr unix - - n 1000? 1 tlsmgr
rewrite unix - - n - - trivial-rewrite
bounce unix - - n - 0 bounce
defer unix - - n - 0 bounce
trace unix - - n - 0 bounce
verify unix - - n - 1 verify
flush unix n - n 1000? 0 flush
proxymap unix - - n - - proxymap
showq unix n - n - - showq
error unix - - n - - error
retry unix - - n - - error
lmtp unix - - n - - lmtp
anvil unix - - n - 1 anvil
postlog unix-dgram n - n - 1 postlogd
`)
	return b.String()
}

// certificate makes an authority and the server's certificate.
func (r *Rig) certificate(t testing.TB) {
	t.Helper()
	shape := func(serial int64, name string) *x509.Certificate {
		return &x509.Certificate{SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: name}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour),
			BasicConstraintsValid: true}
	}
	authority, server := shape(1, "Authority of the test"), shape(2, "mail."+Domain)
	authority.IsCA, authority.KeyUsage = true, x509.KeyUsageCertSign
	server.KeyUsage, server.ExtKeyUsage = x509.KeyUsageDigitalSignature, []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}
	server.DNSNames, server.IPAddresses = []string{"mail." + Domain}, []net.IP{net.IPv4(127, 0, 0, 1)}

	rootKey, key := newKey(t), newKey(t)
	root, err := x509.CreateCertificate(rand.Reader, authority, authority, &rootKey.PublicKey, rootKey)
	if err != nil {
		t.Fatal(err)
	}
	leaf, err := x509.CreateCertificate(rand.Reader, server, authority, &key.PublicKey, rootKey)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	rootText := block("CERTIFICATE", root)
	r.Roots = x509.NewCertPool()
	r.Roots.AppendCertsFromPEM([]byte(rootText))
	r.RootsFile = r.path("authority.pem")
	r.write(t, rootText, "authority.pem")
	r.write(t, block("PRIVATE KEY", secret)+block("CERTIFICATE", leaf), "tls.pem")
	if err := os.Chmod(r.path("tls.pem"), 0o600); err != nil {
		t.Fatal(err)
	}
}

func newKey(t testing.TB) *ecdsa.PrivateKey {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

func block(kind string, der []byte) string {
	return string(pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}))
}

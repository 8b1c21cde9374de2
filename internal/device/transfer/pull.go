package transfer

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"encoding/base32"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"log"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"path"
	"strings"
	"sync"
	"time"

	"towpath/internal/device"
)

// ServerConfig says where files are offered.
type ServerConfig struct {
	Listen string // host:port; port 0 takes a free one
	// Host is the host:port, or the host alone, that devices reach the server
	// under; empty is the address that it listens on.
	Host string
	// TLS makes it a server of HTTPS; it must hold a certificate that the
	// devices accept. Nil is HTTP: the hash is then the only protection.
	TLS   *tls.Config
	Limit *Limiter         // for all of its offers together
	Now   func() time.Time // nil: time.Now
}

// Server offers files to devices that fetch them, each under a path that
// nobody can guess. It is safe for concurrent use.
type Server struct {
	cfg  ServerConfig
	ln   net.Listener
	http *http.Server
	done chan struct{}

	mu     sync.Mutex
	offers map[string]*Offer // by path
}

// Serve starts a server. It stops with [Server.Close].
func Serve(cfg ServerConfig) (*Server, error) {
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	ln, err := net.Listen("tcp", cfg.Listen)
	if err != nil {
		return nil, &device.Fault{Kind: device.Ours, Op: op, Text: "the server for devices that fetch cannot listen", Err: err}
	}
	s := &Server{cfg: cfg, ln: ln, done: make(chan struct{}), offers: map[string]*Offer{}}
	s.http = &http.Server{
		Handler: s, TLSConfig: cfg.TLS, ErrorLog: log.New(io.Discard, "", 0),
		ReadHeaderTimeout: 10 * time.Second, IdleTimeout: time.Minute, MaxHeaderBytes: 16 << 10,
	}
	go func() {
		defer close(s.done)
		if cfg.TLS != nil {
			_ = s.http.ServeTLS(ln, "", "") // ends by Close only, or every offer times out
		} else {
			_ = s.http.Serve(ln) // likewise
		}
	}()
	return s, nil
}

// Close withdraws every offer, breaks what is being fetched and stops.
func (s *Server) Close() error {
	s.mu.Lock()
	offers := s.offers
	s.offers = map[string]*Offer{}
	s.mu.Unlock()
	for _, o := range offers {
		o.end(errWithdrawn)
	}
	err := s.http.Close()
	<-s.done
	if err != nil {
		return ours(err)
	}
	return nil
}

// OfferOptions say who may fetch a file, and how often.
type OfferOptions struct {
	// From are the addresses that may fetch; the zero value is any.
	From netip.Prefix
	// Expires is how long the offer stands; zero is one hour. A fetch that runs
	// then is not broken.
	Expires time.Duration
	// Ranges lets the device take a broken fetch up again (RFC 9110 §14): the
	// offer ends when every octet was sent once, or too many of them twice.
	// Without it, the first fetch is the only one.
	Ranges bool
	Limit  *Limiter
}

// Offer is a file under a path of its own.
type Offer struct {
	server  *Server
	file    File
	o       OfferOptions
	path    string
	expires time.Time

	mu      sync.Mutex
	asked   int           // requests for the content
	busy    chan struct{} // closed when the one being answered has ended; nil: none is
	sent    int64         // octets, those sent twice included
	covered spans
	sum     hash.Hash // of the octets up to summed
	summed  int64
	refused string // what the last request that was refused lacked
	over    bool
	err     error
	done    chan struct{}
}

var (
	errWithdrawn = errors.New("the offer was withdrawn")
	errOnce      = errors.New("the fetch broke, and the offer was for one only")
	errTooMuch   = errors.New("the device fetched parts of the file too often")
)

// lastName is what a path ends with, that of a volume such as flash: aside.
func (f *File) lastName() string {
	name := path.Base(f.Path)
	return name[strings.LastIndexByte(strings.TrimRight(name, ":"), ':')+1:]
}

// Offer offers f. Path of f gives the last element of the URL, and the rest of
// the URL is random.
func (s *Server) Offer(f File, o OfferOptions) (*Offer, error) {
	if err := f.checkNamed(); err != nil {
		return nil, err
	}
	if o.Expires == 0 {
		o.Expires = time.Hour
	}
	secret := make([]byte, 20) // Source: RFC 6750 §5.2 wants what cannot be guessed; 160 bits
	if _, err := rand.Read(secret); err != nil {
		return nil, ours(err)
	}
	id := strings.ToLower(base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(secret))
	of := &Offer{
		server: s, file: f, o: o, path: "/" + id + "/" + f.lastName(), expires: s.cfg.Now().Add(o.Expires),
		sum: newSum(), done: make(chan struct{}),
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.offers[of.path] = of
	return of, nil
}

// URL is what the device is to fetch.
func (o *Offer) URL() string {
	host := o.server.ln.Addr().String()
	if h := o.server.cfg.Host; h != "" {
		_, port, err := net.SplitHostPort(host)
		if _, _, herr := net.SplitHostPort(h); herr != nil && err == nil {
			h = net.JoinHostPort(strings.Trim(h, "[]"), port)
		}
		host = h
	}
	u := url.URL{Scheme: "http", Host: host, Path: o.path}
	if o.server.cfg.TLS != nil {
		u.Scheme = "https"
	}
	return u.String()
}

// Done is closed when the whole file was sent or the offer ended otherwise.
func (o *Offer) Done() <-chan struct{} { return o.done }

// Sent is how many octets of the file were sent at least once.
func (o *Offer) Sent() int64 {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.covered.total()
}

// Withdraw ends the offer; a fetch that runs is broken.
func (o *Offer) Withdraw() { o.end(errWithdrawn) }

// end ends the offer once; nil says that all was sent.
func (o *Offer) end(err error) {
	o.server.mu.Lock()
	delete(o.server.offers, o.path)
	o.server.mu.Unlock()
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.over {
		return
	}
	o.over, o.err = true, err
	close(o.done)
}

// ServeHTTP answers a device. What is not offered to it is not there.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	s.mu.Lock()
	o := s.offers[r.URL.Path]
	s.mu.Unlock()
	if o == nil {
		http.NotFound(w, r)
		return
	}
	if p := o.o.From; p.IsValid() {
		from, err := netip.ParseAddrPort(r.RemoteAddr)
		if err != nil || !p.Contains(from.Addr().Unmap()) {
			o.refuse("it came from " + r.RemoteAddr + ", want " + p.String())
			http.NotFound(w, r)
			return
		}
	}
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		o.refuse("its method is " + r.Method)
		w.Header().Set("Allow", "GET, HEAD")
		http.Error(w, "only GET and HEAD", http.StatusMethodNotAllowed)
		return
	}
	if !s.cfg.Now().Before(o.expires) {
		o.end(fmt.Errorf("the offer stood until %s and was not taken", o.expires.UTC().Format(time.RFC3339)))
		http.Error(w, "this offer has expired", http.StatusGone)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "application/octet-stream")
	h.Set("Cache-Control", "no-store")
	if o.file.SHA256 != "" {
		h.Set("ETag", `"`+o.file.SHA256+`"`)
		if raw, err := hex.DecodeString(o.file.SHA256); err == nil {
			h.Set("Repr-Digest", "sha-256=:"+base64.StdEncoding.EncodeToString(raw)+":") // Source: RFC 9530 §3
		}
	}
	if !o.o.Ranges || strings.Contains(r.Header.Get("Range"), ",") {
		r.Header.Del("Range") // Source: RFC 9110 §14.2, a server may ignore it
	}
	if r.Method == http.MethodGet {
		switch busy, ok := o.begin(r.Context()); {
		case busy:
			h.Set("Retry-After", "1")
			http.Error(w, "it is being fetched", http.StatusServiceUnavailable)
			return
		case !ok:
			http.Error(w, "this offer is used up", http.StatusGone)
			return
		}
	}
	body := &body{ctx: r.Context(), w: w, o: o, control: http.NewResponseController(w)}
	defer body.close()
	if o.o.Ranges {
		http.ServeContent(body, r, "", time.Time{}, body)
	} else {
		h.Set("Accept-Ranges", "none")
		h.Set("Content-Length", fmt.Sprint(o.file.Size))
		if r.Method == http.MethodGet {
			_, _ = io.Copy(struct{ io.Writer }{body}, struct{ io.Reader }{body}) // body keeps the error
		}
	}
	if r.Method == http.MethodGet && o.finish(body.err) {
		panic(http.ErrAbortHandler) // so that the device sees that it is not whole
	}
}

// maxRequests bounds how often a fetch may be taken up.
const maxRequests = 64

// handOver is how long a request waits for the end of the one before it: a
// device has the last octets a moment before they are counted here, and takes a
// broken fetch up again before this end knows that it broke.
const handOver = 3 * time.Second

// begin takes the offer for one request.
func (o *Offer) begin(ctx context.Context) (busy, ok bool) {
	t := time.NewTimer(handOver)
	defer t.Stop()
	for {
		o.mu.Lock()
		before := o.busy
		if before == nil {
			defer o.mu.Unlock()
			if o.over || o.asked >= maxRequests || !o.o.Ranges && o.asked > 0 {
				return false, false
			}
			o.busy = make(chan struct{})
			o.asked++
			return false, true
		}
		o.mu.Unlock()
		select {
		case <-before:
		case <-t.C:
			return true, false
		case <-ctx.Done():
			return true, false
		}
	}
}

// finish gives the offer back after one request, and ends it where that was the
// last one. It says whether the connection has to be broken.
func (o *Offer) finish(err error) bool {
	defer func() {
		o.mu.Lock()
		defer o.mu.Unlock()
		close(o.busy)
		o.busy = nil
	}()
	o.mu.Lock()
	whole := o.covered.total() == o.file.Size
	tooMuch := o.sent > 2*o.file.Size+1<<20 || o.asked >= maxRequests
	o.mu.Unlock()
	var f *device.Fault
	switch {
	case errors.As(err, &f): // our own reading failed
		o.end(err)
	case whole:
		o.end(nil)
	case !o.o.Ranges:
		o.end(errOnce)
	case tooMuch:
		o.end(errTooMuch)
	}
	return err != nil
}

// refuse remembers why a request was not answered.
func (o *Offer) refuse(why string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.refused = why
}

// body is the content in one answer: what http.ServeContent reads and writes.
type body struct {
	ctx     context.Context
	w       http.ResponseWriter
	o       *Offer
	control *http.ResponseController

	offset int64 // of the next octet to read
	start  int64 // of the next octet to write
	r      io.ReadCloser
	err    error
}

var _ io.ReadSeeker = (*body)(nil)

// Header implements http.ResponseWriter.
func (b *body) Header() http.Header { return b.w.Header() }

// WriteHeader implements http.ResponseWriter.
func (b *body) WriteHeader(status int) { b.w.WriteHeader(status) }

// Seek implements io.Seeker.
func (b *body) Seek(offset int64, whence int) (int64, error) {
	switch whence {
	case io.SeekCurrent:
		offset += b.offset
	case io.SeekEnd:
		offset += b.o.file.Size
	}
	if offset != b.offset {
		b.close()
	}
	b.offset, b.start = offset, offset
	return offset, nil
}

func (b *body) close() {
	if b.r != nil {
		_ = b.r.Close() // it was only read
		b.r = nil
	}
}

// Read implements io.Reader over the file's content.
func (b *body) Read(p []byte) (int, error) {
	if b.offset >= b.o.file.Size {
		return 0, io.EOF
	}
	if b.r == nil {
		var err error
		if b.r, err = b.o.file.Content(b.offset); err != nil {
			b.err = ours(err)
			return 0, b.err
		}
	}
	n, err := b.r.Read(p[:min(int64(len(p)), b.o.file.Size-b.offset)])
	b.offset += int64(n)
	if errors.Is(err, io.EOF) && b.offset < b.o.file.Size {
		err = &device.Fault{Kind: device.Damaged, Op: op, Text: fmt.Sprintf("the file read here has %d octets, want %d", b.offset, b.o.file.Size)}
	}
	if err != nil && !errors.Is(err, io.EOF) && b.err == nil {
		var f *device.Fault
		if b.err = err; !errors.As(err, &f) {
			b.err = ours(err)
		}
	}
	return n, err
}

// stall is how long a device may take nothing.
const stall = 2 * time.Minute

// Write implements http.ResponseWriter; it counts, hashes and limits.
func (b *body) Write(p []byte) (int, error) {
	select {
	case <-b.o.done:
		b.err = errWithdrawn
		return 0, errWithdrawn
	default:
	}
	for _, l := range []*Limiter{b.o.server.cfg.Limit, b.o.o.Limit} {
		if err := l.wait(b.ctx, len(p)); err != nil {
			b.err = err
			return 0, err
		}
	}
	_ = b.control.SetWriteDeadline(time.Now().Add(stall)) // where it cannot be set, keep-alive of TCP ends it
	n, err := b.w.Write(p)
	if b.offset > b.start { // content, and no text of an error or of parts
		b.o.wrote(b.start, p[:n])
		b.start += int64(n)
	}
	if err != nil && b.err == nil {
		b.err = err
	}
	return n, err
}

// wrote takes down that p was sent as the content at an offset.
func (o *Offer) wrote(offset int64, p []byte) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.sent += int64(len(p))
	o.covered.add(offset, offset+int64(len(p)))
	if end := offset + int64(len(p)); offset <= o.summed && end > o.summed {
		o.sum.Write(p[o.summed-offset:])
		o.summed = end
	}
}

// digest is the SHA-256 of the file as it was read here.
func (o *Offer) digest(ctx context.Context) (string, error) {
	o.mu.Lock()
	sum, summed := o.sum, o.summed
	o.mu.Unlock()
	if summed < o.file.Size { // it was fetched out of order
		sum = newSum()
		if err := sumOf(ctx, o.file, o.file.Size, sum); err != nil {
			return "", err
		}
	}
	return hex.EncodeToString(sum.Sum(nil)), nil
}

// spans are the octets that were sent, as ranges in order that do not touch.
type spans [][2]int64

func (s *spans) add(from, to int64) {
	if from >= to {
		return
	}
	var out spans
	for _, v := range *s {
		if v[1] < from || v[0] > to {
			continue
		}
		from, to = min(from, v[0]), max(to, v[1])
	}
	placed := false
	for _, v := range *s {
		switch {
		case v[1] < from:
			out = append(out, v)
		case v[0] > to:
			if !placed {
				out, placed = append(out, [2]int64{from, to}), true
			}
			out = append(out, v)
		}
	}
	if !placed {
		out = append(out, [2]int64{from, to})
	}
	*s = out
}

func (s spans) total() int64 {
	var n int64
	for _, v := range s {
		n += v[1] - v[0]
	}
	return n
}

// PullOptions say how a device fetches.
type PullOptions struct {
	Options
	OfferOptions
	// Fetch has the device fetch the URL into a file, and returns when it says
	// that it has, or has failed.
	Fetch func(ctx context.Context, url, path string) error
}

// Pull has a device fetch f from s. The far end's hash comes from Far.Hash;
// without it FarSHA256 in the result is empty, and only the count of octets
// speaks for the file. The limit of the transfer is Options.Limit.
//
// Kinds of failure: those of Fetch, Unreachable where the device never asked
// for the URL, NoSpace before anything is sent where Far.Free tells, Damaged
// where the hashes differ.
func Pull(ctx context.Context, s *Server, f File, o PullOptions) (Result, error) {
	if err := f.checkNamed(); err != nil {
		return Result{}, err
	}
	if o.Fetch == nil {
		return Result{}, ours(errors.New("nothing is given that has the device fetch"))
	}
	if already(ctx, f, o.Far) {
		return Result{AlreadyThere: true, SHA256: f.SHA256, FarSHA256: f.SHA256, FarBy: "command", Atomic: true}, nil
	}
	if o.Far.Free != nil {
		dir := path.Dir(f.Path)
		free, err := o.Far.Free(ctx, dir)
		if err != nil {
			return Result{}, asFault("look at the space in "+dir, err)
		}
		if err := noRoom(dir, f.Size, free); err != nil {
			return Result{}, err
		}
	}
	o.OfferOptions.Limit = o.Options.Limit
	of, err := s.Offer(f, o.OfferOptions)
	if err != nil {
		return Result{}, err
	}
	defer of.Withdraw()
	name := f.Path
	var r Result
	if o.Far.Rename != nil {
		name, r.Atomic = f.part(), true
	}
	start := time.Now()
	err = fetch(ctx, of, o, name)
	r.Sending = time.Since(start)
	if err == nil {
		start = time.Now()
		err = pulled(ctx, of, o.Far, name, &r)
		r.Verifying = time.Since(start)
	}
	r.Sent = of.Sent() // now: the last octets are counted after they left
	if err == nil && o.Far.Rename != nil {
		if err = o.Far.Rename(ctx, name, f.Path); err != nil {
			err = asFault("rename "+name, err)
		}
	}
	if err != nil {
		of.mu.Lock()
		asked := of.asked
		of.mu.Unlock()
		left := removeLeft(ctx, o.Far, name, "is", err)
		if asked == 0 {
			left = err // an empty file at most
		}
		return r, left
	}
	(&meter{f: o.Progress, total: f.Size}).end(f.Size)
	return r, nil
}

// fetch has the device fetch and reports how far it is.
func fetch(ctx context.Context, of *Offer, o PullOptions, name string) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	ended := make(chan error, 1)
	go func() { ended <- o.Fetch(ctx, of.URL(), name) }()
	tick := time.NewTicker(progressEvery)
	defer tick.Stop()
	m := &meter{f: o.Progress, total: of.file.Size}
	var err error
wait:
	for {
		select {
		case err = <-ended:
			break wait
		case <-tick.C:
			m.at(of.Sent())
		}
	}
	of.mu.Lock()
	asked, refused, why := of.asked, of.refused, of.err
	of.mu.Unlock()
	var f *device.Fault
	switch {
	case errors.As(why, &f):
		return why // our own reading failed, whatever the device says
	case ctx.Err() != nil:
		return &device.Fault{Kind: lostKind, Op: op, Text: "ended while the device fetched", Err: context.Cause(ctx)}
	case asked == 0 && refused != "":
		return leftover(asFault("fetch", err), "its request was refused: "+refused)
	case asked == 0:
		f := &device.Fault{Kind: device.Unreachable, Op: op, Text: fmt.Sprintf("the device never asked for the file at %s: is there a way from it to this host, and does it use the right interface or routing table?", hostOf(of.URL())), Err: err}
		if err != nil && device.KindOf(err) != device.Ours {
			f.Kind = device.KindOf(err)
		}
		return f
	case err != nil && errors.Is(why, errTooMuch):
		return leftover(asFault("fetch", err), why.Error())
	case err != nil:
		return leftover(asFault("fetch", err), fmt.Sprintf("%d of %d octets were sent", of.Sent(), of.file.Size))
	}
	return nil
}

// hostOf is the host and port of a URL; the path is nobody's business.
func hostOf(s string) string {
	u, err := url.Parse(s)
	if err != nil {
		return "this host"
	}
	return u.Scheme + "://" + u.Host
}

// asFault keeps a Fault's kind, and blames the device where there is none.
func asFault(what string, err error) error {
	if err == nil {
		return &device.Fault{Kind: device.Refused, Op: op, Text: "the device did not " + what}
	}
	var f *device.Fault
	if errors.As(err, &f) {
		return &device.Fault{Kind: f.Kind, Op: op, Text: "the device did not " + what, Err: err}
	}
	return &device.Fault{Kind: kindOfWords(err.Error()), Op: op, Text: "the device did not " + what, Err: err}
}

// pulled compares both ends after a fetch.
func pulled(ctx context.Context, of *Offer, far Far, name string, r *Result) error {
	t := time.NewTimer(handOver) // the last octets may be counted a moment after they arrived
	select {
	case <-of.Done():
	case <-t.C:
	}
	t.Stop()
	if n := of.Sent(); n != of.file.Size {
		return &device.Fault{Kind: device.Damaged, Op: op, Text: fmt.Sprintf("the device says that it has the file, but took %d of %d octets", n, of.file.Size)}
	}
	var err error
	if r.SHA256, err = of.digest(ctx); err != nil {
		return err
	}
	if err := of.file.finish(r.SHA256); err != nil {
		return err
	}
	if far.Hash == nil {
		return nil
	}
	got, err := far.Hash(ctx, name)
	if err != nil {
		return asFault("hash "+name, err)
	}
	r.FarSHA256, r.FarBy = clean(got), "command"
	return compare(name, r.SHA256, r.FarSHA256, "command")
}

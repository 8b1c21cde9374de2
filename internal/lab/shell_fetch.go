package lab

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// fetchTries is how often a fetch that brought nothing more is tried again.
const fetchTries = 3

// fetch is "fetch URL as PATH": over HTTP, or over HTTPS where the server's
// certificate is one that the device trusts.
func (x *shellSession) fetch(rest string) (string, error) {
	from, name, ok := strings.Cut(rest, " as ")
	u, err := url.Parse(from)
	if !ok || err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" {
		return "", errors.New("not understood: want fetch URL as PATH")
	}
	c := x.c
	var in *inFile
	c.do(func() { in, err = c.arrive(name, true, true) })
	if err != nil {
		return "", fmt.Errorf("not allowed: %s: %w", name, err)
	}
	ctx, done := x.in.interruptible()
	defer done()
	f := &fetching{x: x, in: in, url: u.String(), size: -1, client: &http.Client{
		Transport: &http.Transport{
			DialContext:           (&net.Dialer{Timeout: 10 * time.Second}).DialContext,
			TLSClientConfig:       &tls.Config{RootCAs: c.trusted(), MinVersion: tls.VersionTLS12},
			TLSHandshakeTimeout:   10 * time.Second,
			ResponseHeaderTimeout: 30 * time.Second,
			DisableKeepAlives:     true,
			DisableCompression:    true, // octets as they are
		},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
	for tries := 0; ; tries++ {
		before := f.at
		// What stalls on the device's side does not end by itself.
		ended := make(chan error, 1)
		go func() { ended <- f.once(ctx) }()
		select {
		case err = <-ended:
		case <-ctx.Done():
			err = context.Cause(ctx)
		}
		if ctx.Err() != nil {
			break // it may still be at work on f
		}
		if f.at > before {
			tries = 0
		}
		var again *brokenOff
		if !errors.As(err, &again) || tries >= fetchTries {
			break
		}
		if again.wait > 0 && c.clock.Sleep(ctx, again.wait) != nil {
			err = context.Cause(ctx)
			break
		}
	}
	switch {
	case err == nil:
		return fmt.Sprintf("fetched %d octets\n", f.at), nil
	case errors.Is(err, errInterrupted):
		return "", errors.New("stopped: by ctrl-c")
	case x.life.Err() != nil:
		return "", errGoingDown
	case errors.Is(err, syscall.ENOSPC):
		return "", fmt.Errorf("no room: %w", err)
	case errors.Is(err, syscall.EROFS):
		return "", fmt.Errorf("refused: %w", err)
	}
	return "", err
}

// trusted are the authorities, and single certificates, by which the device
// trusts servers that it fetches from.
func (c *Chassis) trusted() *x509.CertPool {
	pool := x509.NewCertPool()
	if c.cfg.FetchTrust != nil {
		pool.AppendCertsFromPEM(c.cfg.FetchTrust)
	} else {
		pool.AddCert(c.lab.pki.ca)
	}
	return pool
}

// fetching is one file on its way.
type fetching struct {
	x      *shellSession
	in     *inFile
	url    string
	client *http.Client
	at     int64  // octets that are here
	size   int64  // -1 before the server has said it
	tag    string // the server's name for this content
	told   int64
}

// brokenOff is a fetch that may be taken up again, after wait.
type brokenOff struct {
	at, size int64
	wait     time.Duration
	err      error
}

func (b *brokenOff) Error() string {
	return fmt.Sprintf("broken off: %d of %d octets came: %v", b.at, b.size, b.err)
}

func (b *brokenOff) Unwrap() error { return b.err }

// once asks for what is not here yet.
// Source: RFC 9110 §14.2 (Range), §13.1.5 (If-Range), §15.3.7 (206).
func (f *fetching) once(ctx context.Context) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, f.url, nil)
	if err != nil {
		return fmt.Errorf("not understood: %w", err)
	}
	if f.at > 0 {
		req.Header.Set("Range", fmt.Sprintf("bytes=%d-", f.at))
		if f.tag != "" {
			req.Header.Set("If-Range", f.tag)
		}
	}
	resp, err := f.client.Do(req)
	if err != nil {
		return f.unanswered(req.URL.Host, err)
	}
	defer func() { _ = resp.Body.Close() }()
	switch resp.StatusCode {
	case http.StatusOK:
		f.at, f.size = 0, resp.ContentLength
	case http.StatusPartialContent:
		if !strings.HasPrefix(resp.Header.Get("Content-Range"), fmt.Sprintf("bytes %d-", f.at)) {
			return fmt.Errorf("not served: asked for what begins at octet %d, the server sent %q", f.at, resp.Header.Get("Content-Range"))
		}
	case http.StatusServiceUnavailable:
		wait, err := strconv.Atoi(resp.Header.Get("Retry-After"))
		if err != nil {
			wait = 1
		}
		return &brokenOff{f.at, f.size, time.Duration(wait) * time.Second, errors.New(resp.Status)}
	default:
		return fmt.Errorf("not served: %s", resp.Status)
	}
	f.tag = resp.Header.Get("ETag")
	return f.take(resp.Body)
}

// unanswered is a request that got no answer.
func (f *fetching) unanswered(host string, err error) error {
	var bad *tls.CertificateVerificationError
	var dial *net.OpError
	var asked *url.Error
	cause := err
	if errors.As(err, &asked) {
		cause = asked.Err // without the URL, which is a secret
	}
	switch {
	case errors.As(err, &bad):
		return fmt.Errorf("not trusted: the certificate of %s: %w", host, bad.Err)
	case errors.As(err, &dial) && dial.Op == "dial":
		if f.at > 0 {
			return &brokenOff{f.at, f.size, time.Second, cause}
		}
		return fmt.Errorf("not reached: %w", cause)
	case f.at > 0:
		return &brokenOff{f.at, f.size, time.Second, cause}
	}
	return fmt.Errorf("not reached: %s: %w", host, cause)
}

// take writes what comes, and tells how far it is.
func (f *fetching) take(r io.Reader) error {
	b := make([]byte, 64<<10)
	for {
		n, err := r.Read(b)
		if n > 0 {
			if _, werr := f.in.WriteAt(b[:n], f.at); werr != nil {
				return werr
			}
			f.at += int64(n)
			if f.size > 0 && f.at*5/f.size > f.told {
				f.told = f.at * 5 / f.size
				fmt.Fprintf(f.x.s, "fetching: %d of 100\n", 20*f.told)
			}
		}
		switch {
		case errors.Is(err, io.EOF) && (f.size < 0 || f.at == f.size):
			return nil
		case err != nil:
			return &brokenOff{f.at, f.size, 0, err}
		}
	}
}

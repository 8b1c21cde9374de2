package lab

import (
	"context"
	"fmt"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	healthpb "github.com/openconfig/gnoi/healthz"
	"github.com/openconfig/gnoi/types"
)

// healthServer is gNOI Healthz.
// Source for all of it: OpenConfig gNOI healthz.proto 1.3.0.
type healthServer struct {
	healthpb.UnimplementedHealthzServer
	c *Chassis
}

func healthOf(s string) healthpb.Status {
	switch s {
	case healthy:
		return healthpb.Status_STATUS_HEALTHY
	case unhealthy:
		return healthpb.Status_STATUS_UNHEALTHY
	}
	return healthpb.Status_STATUS_UNSPECIFIED
}

// find returns the component of a path. The lock is held.
func (s *healthServer) find(p *types.Path) (*component, error) {
	name := componentName(p)
	if k := s.c.component(name); k != nil {
		return k, nil
	}
	return nil, status.Errorf(codes.NotFound, "found %q, want /components/component[name=…]", name)
}

func (e *healthEvent) proto() *healthpb.ComponentStatus {
	return &healthpb.ComponentStatus{
		Path: componentPath(e.component), Status: healthOf(e.status), Id: e.id, Acknowledged: e.acknowledged,
		Created: timestamppb.New(e.created),
	}
}

// Get returns the latest status.
func (s *healthServer) Get(_ context.Context, req *healthpb.GetRequest) (*healthpb.GetResponse, error) {
	s.c.mu.Lock()
	defer s.c.mu.Unlock()
	k, err := s.find(req.GetPath())
	if err != nil {
		return nil, err
	}
	return &healthpb.GetResponse{Component: s.latest(k)}, nil
}

// latest is the newest event of a component, or its state where there is none.
func (s *healthServer) latest(k *component) *healthpb.ComponentStatus {
	for i := len(s.c.events) - 1; i >= 0; i-- {
		if e := &s.c.events[i]; e.component == k.Name && e.status == k.health {
			return e.proto()
		}
	}
	return &healthpb.ComponentStatus{Path: componentPath(k.Name), Status: healthOf(k.health), Created: timestamppb.New(s.c.now())}
}

// List returns the component's history, without what was acknowledged unless
// asked for.
func (s *healthServer) List(_ context.Context, req *healthpb.ListRequest) (*healthpb.ListResponse, error) {
	s.c.mu.Lock()
	defer s.c.mu.Unlock()
	k, err := s.find(req.GetPath())
	if err != nil {
		return nil, err
	}
	out := &healthpb.ListResponse{}
	for i := range s.c.events {
		if e := &s.c.events[i]; e.component == k.Name && (!e.acknowledged || req.GetIncludeAcknowledged()) {
			out.Statuses = append(out.Statuses, e.proto())
		}
	}
	return out, nil
}

// Acknowledge marks an event as seen; doing so twice changes nothing.
func (s *healthServer) Acknowledge(_ context.Context, req *healthpb.AcknowledgeRequest) (*healthpb.AcknowledgeResponse, error) {
	s.c.mu.Lock()
	defer s.c.mu.Unlock()
	k, err := s.find(req.GetPath())
	if err != nil {
		return nil, err
	}
	for i := range s.c.events {
		if e := &s.c.events[i]; e.id == req.GetId() && e.component == k.Name {
			e.acknowledged = true
			return &healthpb.AcknowledgeResponse{Status: e.proto()}, nil
		}
	}
	return nil, status.Errorf(codes.NotFound, "%s has no event %q", k.Name, req.GetId())
}

// Check examines the component now.
func (s *healthServer) Check(_ context.Context, req *healthpb.CheckRequest) (*healthpb.CheckResponse, error) {
	c := s.c
	c.mu.Lock()
	defer c.mu.Unlock()
	k, err := s.find(req.GetPath())
	if err != nil {
		return nil, err
	}
	c.events = append(c.events, healthEvent{
		id: fmt.Sprintf("health-%d", len(c.events)+1), component: k.Name, status: k.health, created: c.now(),
	})
	return &healthpb.CheckResponse{Status: s.latest(k)}, nil
}

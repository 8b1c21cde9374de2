package neighbour

import (
	"fmt"
	"time"
)

// ConfigureFar changes the configuration of the neighbour's end of an
// adjacency, as an operator of the neighbour would. It takes effect as with
// [Set.Configure].
func (s *Set) ConfigureFar(key string, cfg Speaker) error {
	return s.on(key, func(e *engine, a *adjacency) error {
		if cfg == nil || cfg.protocol() != a.cfg.Protocol() {
			return fmt.Errorf("adjacency %s: found a configuration of another protocol", key)
		}
		if err := cfg.check(); err != nil {
			return fmt.Errorf("adjacency %s: %w", key, err)
		}
		a.cfg.Far = cfg
		e.tell(a.ends[far], func(m Machine, now time.Time) { m.Configure(now, cfg) })
		return nil
	})
}

// Far returns the configuration of the neighbour's end, as it was given or last
// changed.
func (s *Set) Far(key string) (cfg Speaker, err error) {
	err = s.on(key, func(_ *engine, a *adjacency) error {
		cfg = a.cfg.Far
		return nil
	})
	return cfg, err
}

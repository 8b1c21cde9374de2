package lab

import (
	"encoding/json"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/openconfig/gnmi/proto/gnmi"
)

// kind is the YANG type of a leaf as far as its encoding depends on it.
type kind uint8

const (
	kStr kind = iota
	kBool
	kUint8
	kUint16
	kUint32
	kUint64
	kInt64
	kDec
	kEnum
	kIdent
	kList
)

// value is the value of a leaf. It is comparable, so that a change is found by
// comparing. The kind must be the one of the leaf's schema row.
type value struct {
	kind kind
	str  string // kStr, kEnum, kIdent (with module prefix); kList: entries joined by newlines
	num  uint64 // unsigned integers; kInt64 and kBool by conversion
	dec  float64
}

func str(s string) value          { return value{kind: kStr, str: s} }
func enum(s string) value         { return value{kind: kEnum, str: s} }
func u8(n int) value              { return value{kind: kUint8, num: uint64(min(max(n, 0), math.MaxUint8))} }
func u16(n int) value             { return value{kind: kUint16, num: uint64(min(max(n, 0), math.MaxUint16))} }
func u32(n int) value             { return value{kind: kUint32, num: uint64(min(max(n, 0), math.MaxUint32))} }
func u64(n uint64) value          { return value{kind: kUint64, num: n} }
func i64(n int64) value           { return value{kind: kInt64, num: uint64(n)} }
func dec(f float64) value         { return value{kind: kDec, dec: f} }
func ident(mod, s string) value   { return value{kind: kIdent, str: mod + ":" + s} }
func list(s ...string) value      { return value{kind: kList, str: strings.Join(s, "\n")} }
func nanos(t time.Time) value     { return u64(uint64(t.UnixNano())) }
func span(d time.Duration) value  { return u64(uint64(max(d, 0))) }
func seconds(d time.Duration) int { return int(math.Ceil(d.Seconds())) }

func boolean(b bool) value {
	if b {
		return value{kind: kBool, num: 1}
	}
	return value{kind: kBool}
}

// entries are the members of a leaf-list.
func (v value) entries() []string {
	if v.str == "" {
		return nil
	}
	return strings.Split(v.str, "\n")
}

// plain is the value as PROTO and people write it: an identity without its
// module.
func (v value) plain() string {
	switch v.kind {
	case kStr, kEnum, kList:
		return v.str
	case kIdent:
		return bare(v.str)
	case kBool:
		return strconv.FormatBool(v.num == 1)
	case kUint8, kUint16, kUint32, kUint64:
		return strconv.FormatUint(v.num, 10)
	case kInt64:
		return strconv.FormatInt(int64(v.num), 10)
	case kDec:
		return strconv.FormatFloat(v.dec, 'f', 1, 64)
	}
	return ""
}

// bare cuts the module off an identity.
func bare(id string) string {
	if _, after, ok := strings.Cut(id, ":"); ok {
		return after
	}
	return id
}

// jsonIETF is the value as it stands in a JSON_IETF document.
// Source: RFC 7951 §6.1 (64-bit integers and decimal64 are strings), §6.3,
// §6.6, §6.8 (identities carry the module's name).
func (v value) jsonIETF() any {
	switch v.kind {
	case kStr, kEnum, kIdent:
		return v.str
	case kBool:
		return v.num == 1
	case kUint8, kUint16, kUint32:
		return v.num
	case kUint64, kInt64, kDec:
		return v.plain()
	case kList:
		if es := v.entries(); es != nil {
			return es
		}
		return []string{}
	}
	return nil
}

// typed encodes the value.
func (v value) typed(enc gnmi.Encoding) (*gnmi.TypedValue, error) {
	if enc != gnmi.Encoding_PROTO {
		b, err := json.Marshal(v.jsonIETF())
		if err != nil {
			return nil, err
		}
		return &gnmi.TypedValue{Value: &gnmi.TypedValue_JsonIetfVal{JsonIetfVal: b}}, nil
	}
	switch v.kind {
	case kBool:
		return &gnmi.TypedValue{Value: &gnmi.TypedValue_BoolVal{BoolVal: v.num == 1}}, nil
	case kUint8, kUint16, kUint32, kUint64:
		return &gnmi.TypedValue{Value: &gnmi.TypedValue_UintVal{UintVal: v.num}}, nil
	case kInt64:
		return &gnmi.TypedValue{Value: &gnmi.TypedValue_IntVal{IntVal: int64(v.num)}}, nil
	case kDec:
		return &gnmi.TypedValue{Value: &gnmi.TypedValue_DoubleVal{DoubleVal: v.dec}}, nil
	case kList:
		arr := &gnmi.ScalarArray{}
		for _, e := range v.entries() {
			arr.Element = append(arr.Element, &gnmi.TypedValue{Value: &gnmi.TypedValue_StringVal{StringVal: bare(e)}})
		}
		return &gnmi.TypedValue{Value: &gnmi.TypedValue_LeaflistVal{LeaflistVal: arr}}, nil
	case kStr, kEnum, kIdent:
	}
	return &gnmi.TypedValue{Value: &gnmi.TypedValue_StringVal{StringVal: v.plain()}}, nil
}

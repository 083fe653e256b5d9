// Package safety turns timestamped facts into a cleared speed or a stop, with the reason. It is a pure state machine: it starts no goroutine and reads no clock.
//
// Clearance is a type: only this package makes a Cleared that is not standstill, only a Cleared gets an order out of a drive.
package safety

import "flume.example/sequencerd/internal/units"

// Cleared is a permission to move water, good for one exchange with the drive. The zero Cleared is standstill.
type Cleared struct {
	speed units.Speed
	accel units.Accel
	jog   units.MotorSpeed
}

// Water is the cleared water speed and its acceleration; zero for standstill and for a jog.
func (c Cleared) Water() (units.Speed, units.Accel) { return c.speed, c.accel }

// Jog is the cleared motor speed of an installer's jog; zero otherwise.
func (c Cleared) Jog() units.MotorSpeed { return c.jog }

// Release is a guard's word that the stops counted until Upto may be taken back. The zero Release takes back nothing.
type Release struct{ upto uint64 }

// Upto is the number of stops that the guard had seen when it allowed the reset; a stop after that stays.
func (r Release) Upto() uint64 { return r.upto }

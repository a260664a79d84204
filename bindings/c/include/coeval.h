/* Made from the library's sources by `cargo xtask header`: do not edit. */

/*
 * Coeval puts recordings of one event on one clock.
 *
 * To compare two recordings, push the sound of each into a coeval_track_builder as you decode it,
 * and call coeval_pair_align. To align a shoot, put all files (paths, tracks or both) into a
 * coeval_shoot, and call coeval_shoot_align. A coeval_resampler moves sound onto another clock. A
 * coeval_marker_detector finds short sharp sounds. A coeval_speech_builder detects speech. A
 * coeval_level_meter measures levels, and a coeval_limiter limits peaks. coeval_alignment_hear finds
 * when someone speaks in an aligned shoot, coeval_tighten plans a rough cut from that, and
 * coeval_plan_render writes its sound.
 *
 * Names end in their unit: _s seconds, _ppm parts per million, _hz, _db. Sound is float32, full scale
 * +-1; a frame is one sample of every channel. Text is UTF-8 and ends in NUL.
 *
 * FAILURES. Every function that can fail returns a coeval_status, 0 for success. Its last argument
 * is a coeval_error handle that you made once with coeval_error_new, or NULL. The handle keeps the
 * text of the failure until it is used again. Functions that return a value instead say what they
 * return if their handle is invalid: NULL, or of the wrong type. After a failure, output arguments
 * are NULL or unchanged. A fault inside the library (a panic) is reported as COEVAL_INTERNAL and never
 * crosses into your code; free the handles of that call. Its message also goes to standard error, or to
 * the function that you gave to coeval_set_log. If the system runs out of memory, the process ends.
 *
 * OWNERSHIP. Handles come from functions whose names end in _new, _finish, _from_..., or that write
 * to `out`. They are yours: free them with the ..._free function of their type. It takes the address
 * of your pointer and sets the pointer to NULL, so freeing twice does no harm. Other copies of that
 * pointer then dangle, as always in C. Using one is mostly answered with COEVAL_INVALID_ARGUMENT, but
 * this cannot be promised. Handles are independent: you may free what a handle was made from before
 * the handle. `const char *` results belong to the handle that you asked and live as long as it does.
 * Lists are copied into your buffers: the functions return how many items there are, so ask with
 * (NULL, 0) first. The library keeps no pointer of yours after a call.
 *
 * GROWTH. Structs that begin with struct_size may get further members at their end in later
 * versions of the same binary interface: set struct_size to the sizeof of your struct before the
 * call. A program that was built with an earlier header gets the members that it knows. Enums are
 * passed as int32_t and are checked. Handles with setters hold options. Everything here exists since
 * version 0.1.0 unless it says 'Since'; COEVAL_VERSION_NUMBER is the version at compile time.
 *
 * THREADS. No state is shared between handles: calls on different handles may run at the same
 * time. A handle that is said never to change may be used by several threads at once; any other by
 * one thread at a time, which need not always be the same. Long work uses threads of its own, which
 * end before the call returns: a process may fork afterwards, and a plugin may be unloaded.
 *
 * REAL TIME. The last line of each function says what it may do.
 * [real-time] It does not allocate or free memory, lock or wait, not even in the first call. If it
 *             fails, it allocates the text of the failure, and locks if there is a log.
 * [allocates] It may allocate and free memory. It does not lock or wait.
 * [long]      It may take long, read files, lock, and wait for threads of its own.
 *
 * POINTERS. Every pointer must be valid for what the function says it reads or writes, or NULL where
 * that is allowed. NULL, wrong alignment, handles of the wrong type, numbers that are not finite and
 * unknown enum values are recognised and answered with COEVAL_INVALID_ARGUMENT.
 */


#ifndef COEVAL_H
#define COEVAL_H

#include <stddef.h>
#include <stdint.h>

/* Marks old names of functions that have a better one now. */
#if defined(__GNUC__)
#define COEVAL_DEPRECATED __attribute__((deprecated))
#else
#define COEVAL_DEPRECATED
#endif


#ifdef __cplusplus
extern "C" {
#endif // __cplusplus

/* ---- Failures -------------------------------------------------------------------------------- */

/**
 * Result of a call. Numbers never change; later versions may add some, so treat an unknown one as a failure.
 */
enum coeval_status
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
    /**
     * Done.
     */
    COEVAL_OK = 0,
    /**
     * An argument is NULL, out of its range, or two arguments contradict each other.
     */
    COEVAL_INVALID_ARGUMENT = 1,
    /**
     * A file or folder does not exist.
     */
    COEVAL_NOT_FOUND = 2,
    /**
     * The system refuses access.
     */
    COEVAL_PERMISSION_DENIED = 3,
    /**
     * Reading or writing failed part-way.
     */
    COEVAL_IO = 4,
    /**
     * The content is not a media file of a known format.
     */
    COEVAL_UNKNOWN_FORMAT = 5,
    /**
     * The format is known, but not this variety of it.
     */
    COEVAL_UNSUPPORTED = 6,
    /**
     * The file breaks its own format's rules, or is cut short before its index.
     */
    COEVAL_DAMAGED = 7,
    /**
     * The file has no sound track, or the sound track has no samples.
     */
    COEVAL_NO_SOUND = 8,
    /**
     * The output exists already and may not be replaced.
     */
    COEVAL_OUTPUT_EXISTS = 9,
    /**
     * The progress callback asked to stop.
     */
    COEVAL_CANCELLED = 10,
    /**
     * A fault in Coeval itself.
     */
    COEVAL_INTERNAL = 11,
    /**
     * A failure that this version of the C library has no number for; its text says what.
     */
    COEVAL_OTHER = 1000,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum coeval_status coeval_status;
#else
typedef int32_t coeval_status;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/**
 * How much a message matters. Numbers never change; later versions may add some.
 */
enum coeval_log_level
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
    /**
     * A fault in Coeval itself, with the place in its source.
     */
    COEVAL_LOG_FAULT = 1,
    /**
     * A call failed; the text is that of its `coeval_error`.
     */
    COEVAL_LOG_FAILURE = 2,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum coeval_log_level coeval_log_level;
#else
typedef int32_t coeval_log_level;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/**
 * The text of the last failure of the calls that were given this handle. One thread at a time.
 */
typedef struct coeval_error coeval_error;

/**
 * Receives a message: `level` is a `coeval_log_level`, `text` is valid during the call only. It may be called from
 * any thread, one at a time. It must not call this library, and no C++ exception or `longjmp` may leave it.
 */
typedef void (*coeval_log_fn)(void *user, int32_t level, const char *text);

/**
 * Sends messages of all handles to `log` from now on, with `user`. NULL, the default: messages go nowhere, and only
 * faults go to standard error. When it returns, no earlier function is called any more.
 * [long]
 */
void coeval_set_log(coeval_log_fn log,
                    void *user);

/**
 * The status in words, such as "not found"; "unknown status" for any other number. Lives as long as the library.
 * [real-time]
 */
const char *coeval_status_text(int32_t status);

/**
 * A handle for the texts of failures. Every function takes one as its last argument, or NULL.
 * [allocates]
 */
coeval_error *coeval_error_new(void);

/**
 * Frees the handle and sets `*error` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_error_free(coeval_error **error);

/**
 * Status of the last call that was given this handle; `COEVAL_OK` when there was none.
 * [real-time]
 */
coeval_status coeval_error_status(const coeval_error *error);

/**
 * The failure in one line: "path: what was wrong; what to do". Empty when there was none. Valid until the handle is
 * used again.
 * [real-time]
 */
const char *coeval_error_text(const coeval_error *error);

/**
 * What was wrong, without path and remedy. Empty when nothing was. Valid until the handle is used again.
 * [real-time]
 */
const char *coeval_error_message(const coeval_error *error);

/**
 * The file that the failure is about, or NULL. Valid until the handle is used again.
 * [real-time]
 */
const char *coeval_error_path(const coeval_error *error);

/**
 * What the user can do about it, or NULL. Valid until the handle is used again.
 * [real-time]
 */
const char *coeval_error_remedy(const coeval_error *error);

/* ---- Versions -------------------------------------------------------------------------------- */

/**
 * Version of the library that this header belongs to: `COEVAL_VERSION_MAJOR.COEVAL_VERSION_MINOR.COEVAL_VERSION_PATCH`.
 */
#define COEVAL_VERSION_MAJOR 0

/**
 * Its second number. Before version 1 it grows when something that worked no longer does.
 */
#define COEVAL_VERSION_MINOR 1

/**
 * Its third number.
 */
#define COEVAL_VERSION_PATCH 0

/**
 * The three as one number that can be compared: 1000000 times the first, 1000 times the second, and the third.
 */
#define COEVAL_VERSION_NUMBER 1000

/**
 * Version of the binary interface. It grows when something is removed or changes its meaning; what is
 * only added leaves it as it is. `coeval_abi_version()` must return the same number.
 */
#define COEVAL_ABI_VERSION 1

/**
 * Version of the binary interface of the library that is loaded. When it is not `COEVAL_ABI_VERSION`, the header and
 * the library do not belong together and nothing else may be called.
 * [real-time]
 */
uint32_t coeval_abi_version(void);

/**
 * Version of the library as text, such as "0.1.0". Lives as long as the library.
 * [real-time]
 */
const char *coeval_version(void);

/* ---- Progress -------------------------------------------------------------------------------- */

/**
 * Progress callback: `stage` in words (valid during the call only), and `done` from 0 to 1 within the stage. Returns
 * 0 to go on, anything else to stop: then the work soon ends with `COEVAL_CANCELLED`.
 *
 * Called from the calling thread or from threads of the library, but never twice at a time within one piece of
 * work. It must return soon, and must not call a function that takes a callback. No C++ exception or `longjmp` may
 * leave it.
 */
typedef int32_t (*coeval_progress_fn)(void *user, const char *stage, double done);

/* ---- Clock maps ------------------------------------------------------------------------------ */

/**
 * Piecewise-linear map from one file's time to the timeline. Never changes: any number of threads may use one.
 */
typedef struct coeval_clock_map coeval_clock_map;

/**
 * A moment of a file and the timeline moment it lies at, both in seconds.
 */
typedef struct {
    /**
     * File time, seconds; 0 is the first moment that a player presents.
     */
    double file_s;
    /**
     * Timeline time, seconds.
     */
    double timeline_s;
} coeval_knot;

/**
 * A sudden change of offset in a file.
 */
typedef struct {
    /**
     * Where in the file, seconds.
     */
    double file_s;
    /**
     * Seconds of sound that the file lost there; negative: that it repeated.
     */
    double lost_s;
} coeval_jump;

/**
 * A map from two or more knots, ascending in file time; two knots at one file time are a jump. Written to `*out`.
 * [allocates]
 */
coeval_status coeval_clock_map_from_knots(const coeval_knot *knots,
                                          size_t count,
                                          coeval_clock_map **out,
                                          coeval_error *error);

/**
 * A straight map over `duration_s` seconds. `offset_s` is timeline time minus file time at the file's start,
 * `drift_ppm` is (timeline seconds per file second - 1) * 1e6. Written to `*out`.
 * [allocates]
 */
coeval_status coeval_clock_map_linear(double offset_s,
                                      double drift_ppm,
                                      double duration_s,
                                      coeval_clock_map **out,
                                      coeval_error *error);

/**
 * Timeline time of a moment of the file, seconds; NaN if `map` is invalid.
 * [real-time]
 */
double coeval_clock_map_to_timeline(const coeval_clock_map *map, double file_s);

/**
 * File time of a timeline moment, seconds; NaN if `map` is invalid. Inside a gap that the file lost, the moment of the
 * jump; in time that it repeated, the earlier of the two places.
 * [real-time]
 */
double coeval_clock_map_to_file(const coeval_clock_map *map,
                                double timeline_s);

/**
 * Copies the first `capacity` knots to `out` and returns how many there are; 0 if `map` is invalid.
 * [real-time]
 */
size_t coeval_clock_map_knots(const coeval_clock_map *map, coeval_knot *out, size_t capacity);

/**
 * Writes the map as JSON text to `out`, which has room for `capacity` bytes, and returns its length without the NUL at
 * its end. What does not fit is cut off, so ask with (NULL, 0) first. 0 if `map` is invalid.
 * [allocates]
 */
size_t coeval_clock_map_to_json(const coeval_clock_map *map,
                                char *out,
                                size_t capacity);

/**
 * Reads again, to `*out`, what `coeval_clock_map_to_json` wrote, to the last bit.
 * [allocates]
 */
coeval_status coeval_clock_map_from_json(const char *json,
                                         coeval_clock_map **out,
                                         coeval_error *error);

/**
 * Frees the map and sets `*map` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_clock_map_free(coeval_clock_map **map);

/* ---- Tracks ---------------------------------------------------------------------------------- */

/**
 * One file's sound, ready to be compared. Never changes: any number of threads may use one.
 */
typedef struct coeval_track coeval_track;

/**
 * Makes a `coeval_track` from blocks of sound. One thread at a time.
 */
typedef struct coeval_track_builder coeval_track_builder;

/**
 * A builder for sound at `rate_hz` (1000 to 768000, need not be whole) with `channels` (1 to 64), written to `*out`.
 * [allocates]
 */
coeval_status coeval_track_builder_new(double rate_hz,
                                       size_t channels,
                                       coeval_track_builder **out,
                                       coeval_error *error);

/**
 * Takes the next `frames` frames, interleaved. The very first frame must be the first that a player presents. NaN and
 * infinite samples count as silence.
 * [allocates]
 */
coeval_status coeval_track_builder_push_interleaved(coeval_track_builder *builder,
                                                    const float *samples,
                                                    size_t frames,
                                                    coeval_error *error);

/**
 * As `coeval_track_builder_push_interleaved`, with one pointer for each channel.
 * [allocates]
 */
coeval_status coeval_track_builder_push_planar(coeval_track_builder *builder,
                                               const float *const *channels,
                                               size_t frames,
                                               coeval_error *error);

/**
 * Writes the finished track to `*out`. The builder is used up: `*builder` becomes NULL.
 * [allocates]
 */
coeval_status coeval_track_builder_finish(coeval_track_builder **builder,
                                          coeval_track **out,
                                          coeval_error *error);

/**
 * Frees the builder and sets `*builder` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_track_builder_free(coeval_track_builder **builder);

/**
 * Length of the sound, seconds; NaN if `track` is invalid.
 * [real-time]
 */
double coeval_track_duration_s(const coeval_track *track);

/**
 * 1 if the sound is one constant value throughout (digital silence) or `track` is invalid, else 0.
 * [real-time]
 */
int32_t coeval_track_is_silent(const coeval_track *track);

/**
 * Copies the first `capacity` bytes of the track to `out`, for storing or sending, and returns how many there are. 0 if
 * `track` is invalid or cannot be read from its temporary file.
 * [allocates]
 */
size_t coeval_track_to_bytes(const coeval_track *track,
                             uint8_t *out,
                             size_t capacity);

/**
 * Reads again, to `*out`, what `coeval_track_to_bytes` wrote, by this version or an earlier one: the track gives the same
 * results to the last bit.
 * [allocates]
 */
coeval_status coeval_track_from_bytes(const uint8_t *bytes,
                                      size_t count,
                                      coeval_track **out,
                                      coeval_error *error);

/**
 * Frees the track and sets `*track` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_track_free(coeval_track **track);

/* ---- Pairs ----------------------------------------------------------------------------------- */

/**
 * Why two tracks have no placement. Numbers never change; later versions may add some.
 */
enum coeval_unplaced
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
    /**
     * They have one.
     */
    COEVAL_IS_PLACED = 0,
    /**
     * Nothing in one matches anything in the other.
     */
    COEVAL_NO_COMMON_SOUND = 1,
    /**
     * Too little sound to tell.
     */
    COEVAL_TOO_SHORT = 2,
    /**
     * The common sound repeats, so many places fit equally well.
     */
    COEVAL_ONLY_PERIODIC_SOUND = 3,
    /**
     * One of them holds digital silence only.
     */
    COEVAL_SILENT = 4,
    /**
     * They share sound, but their clocks differ by more than the largest drift that was searched.
     */
    COEVAL_BEYOND_DRIFT_LIMIT = 5,
    /**
     * A reason that this version of the C library has no number for.
     */
    COEVAL_UNPLACED_OTHERWISE = 1000,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum coeval_unplaced coeval_unplaced;
#else
typedef int32_t coeval_unplaced;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/**
 * Result of comparing two tracks: a placement, or the reason why there is none. Never changes: any number of threads
 * may use one.
 */
typedef struct coeval_pair coeval_pair;

/**
 * Options for comparing two tracks. One thread at a time.
 */
typedef struct coeval_pair_options coeval_pair_options;

/**
 * The figures of a `coeval_pair`. Set `struct_size` to `sizeof(coeval_pair_summary)` before the call.
 */
typedef struct {
    /**
     * Size of this struct as the caller knows it; after the call, how much of it was filled.
     */
    size_t struct_size;
    /**
     * 1: placed. 0: not; then every figure but `reason` is NaN or 0.
     */
    int32_t placed;
    /**
     * Why it is not placed: a `coeval_unplaced`.
     */
    int32_t reason;
    /**
     * `a` time minus `b` time at the start of `b`, seconds.
     */
    double offset_s;
    /**
     * (seconds of `a` per second of `b` - 1) * 1e6, mean over `b` without its jumps.
     */
    double drift_ppm;
    /**
     * Probability that the placement is right.
     */
    double confidence;
    /**
     * One standard deviation of the placement's error at its worst moment in the overlap, seconds.
     */
    double uncertainty_s;
    /**
     * Seconds during which both recorded.
     */
    double overlap_s;
    /**
     * Root mean square of the evidence against the map, seconds.
     */
    double residual_rms_s;
    /**
     * 1: the polarity of `b` is opposite to that of `a`.
     */
    int32_t inverted;
    /**
     * 1: the drift is 999 to 1001 ppm, because rates were mixed up (1000/1001); the clock is not at fault.
     */
    int32_t rate_mixup;
    /**
     * Number of knots, see `coeval_pair_knots`.
     */
    size_t knot_count;
    /**
     * Number of jumps, see `coeval_pair_jumps`.
     */
    size_t jump_count;
    /**
     * Number of measurements, see `coeval_pair_evidence`.
     */
    size_t evidence_count;
} coeval_pair_summary;

/**
 * A sudden change of offset between two tracks.
 */
typedef struct {
    /**
     * Where in `a`, seconds.
     */
    double a_s;
    /**
     * Where in `b`, seconds.
     */
    double b_s;
    /**
     * Change of `a` time minus `b` time there, seconds: > 0 is sound that `b` lost or `a` repeated.
     */
    double step_s;
} coeval_pair_jump;

/**
 * A part of `b` throughout which its place is equally well known: before the first measurement, between jumps, where
 * a jump lies sooner or later in a silence, after the last.
 */
typedef struct {
    /**
     * First moment in `b`, seconds.
     */
    double from_s;
    /**
     * Last moment in `b`, seconds.
     */
    double to_s;
    /**
     * Probability that `b` lies where its map says, here.
     */
    double confidence;
    /**
     * One standard deviation of the error in its place, at the worse end of the stretch, seconds.
     */
    double uncertainty_s;
} coeval_pair_stretch;

/**
 * One measurement: this moment of `b` is that moment of `a`.
 */
typedef struct {
    /**
     * Time in `a`, seconds.
     */
    double a_s;
    /**
     * Time in `b`, seconds.
     */
    double b_s;
    /**
     * One standard deviation of `a_s` given `b_s`, seconds.
     */
    double sigma_s;
} coeval_evidence;

/**
 * Options with their defaults: +-500 ppm, any offset.
 * [allocates]
 */
coeval_pair_options *coeval_pair_options_new(void);

/**
 * Frees the options and sets `*options` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_pair_options_free(coeval_pair_options **options);

/**
 * Largest drift between the two clocks to search for, in ppm, either way: 0 to 1200. Default 500.
 * [real-time]
 */
coeval_status coeval_pair_options_set_max_drift_ppm(coeval_pair_options *options,
                                                    double max_drift_ppm,
                                                    coeval_error *error);

/**
 * Where the offset (`a` time minus `b` time at the start of `b`) is known to lie: lowest and highest value in seconds.
 * [real-time]
 */
coeval_status coeval_pair_options_set_offset_range_s(coeval_pair_options *options,
                                                     double lowest_s,
                                                     double highest_s,
                                                     coeval_error *error);

/**
 * How many threads one comparison uses, 0 to 1024; 0, the default: as many as the machine has cores. They end before
 * the call returns. For a shoot, use `coeval_shoot_set_threads`.
 * [real-time]
 */
coeval_status coeval_pair_options_set_threads(coeval_pair_options *options,
                                              size_t threads,
                                              coeval_error *error);

/**
 * Compares two tracks and writes the result to `*out`. If there is no placement, this is a result, not a failure.
 * `options` may be NULL for the defaults. `progress` may be NULL; `user` is handed to it.
 * [long]
 */
coeval_status coeval_pair_align(const coeval_track *a,
                                const coeval_track *b,
                                const coeval_pair_options *options,
                                coeval_progress_fn progress,
                                void *user,
                                coeval_pair **out,
                                coeval_error *error);

/**
 * The earlier name of `coeval_pair_align`.
 * [long]
 */
COEVAL_DEPRECATED
coeval_status coeval_align_pair(const coeval_track *a,
                                const coeval_track *b,
                                const coeval_pair_options *options,
                                coeval_progress_fn progress,
                                void *user,
                                coeval_pair **out,
                                coeval_error *error);

/**
 * Reads again, to `*out`, what `coeval_pair_to_json` wrote, to the last bit.
 * [allocates]
 */
coeval_status coeval_pair_from_json(const char *json_text, coeval_pair **out, coeval_error *error);

/**
 * Fills `*summary` with the figures.
 * [real-time]
 */
coeval_status coeval_pair_get_summary(const coeval_pair *pair,
                                      coeval_pair_summary *summary,
                                      coeval_error *error);

/**
 * Why the two have no placement, in words, or NULL when they have one. Valid as long as the library.
 * [real-time]
 */
const char *coeval_pair_reason(const coeval_pair *pair);

/**
 * Copies the first `capacity` knots of the map from `b`'s time (`file_s`) to `a`'s time (`timeline_s`) to `out` and
 * returns how many there are. 0 if `pair` is invalid.
 * [real-time]
 */
size_t coeval_pair_knots(const coeval_pair *pair,
                         coeval_knot *out,
                         size_t capacity);

/**
 * Copies the first `capacity` jumps to `out` and returns how many there are. 0 if `pair` is invalid.
 * [real-time]
 */
size_t coeval_pair_jumps(const coeval_pair *pair,
                         coeval_pair_jump *out,
                         size_t capacity);

/**
 * Copies the first `capacity` stretches of the overlap, in time order, to `out` and returns how many there are. 0 if `pair`
 * is invalid.
 * [real-time]
 */
size_t coeval_pair_stretches(const coeval_pair *pair,
                             coeval_pair_stretch *out,
                             size_t capacity);

/**
 * Copies the first `capacity` measurements, in time order, to `out` and returns how many there are. 0 if `pair` is invalid.
 * [real-time]
 */
size_t coeval_pair_evidence(const coeval_pair *pair,
                            coeval_evidence *out,
                            size_t capacity);

/**
 * Writes the map from `b`'s time to `a`'s time to `*out`, a handle of its own. Fails when they have no placement.
 * [allocates]
 */
coeval_status coeval_pair_clock_map(const coeval_pair *pair,
                                    coeval_clock_map **out,
                                    coeval_error *error);

/**
 * The result as JSON text. Valid until the pair is freed; NULL if `pair` is invalid.
 * [real-time]
 */
const char *coeval_pair_to_json(const coeval_pair *pair);

/**
 * Frees the pair and sets `*pair` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_pair_free(coeval_pair **pair);

/* ---- Sound on another clock ------------------------------------------------------------------ */

/**
 * Output length that is not known yet: the output ends where the source ends.
 */
#define COEVAL_OPEN_END 18446744073709551615ull

/**
 * Options of a resampler. One thread at a time.
 */
typedef struct coeval_resample_options coeval_resample_options;

/**
 * Resamples sound along clock maps, in blocks of any size and bounded memory. One thread at a time.
 *
 * Push while it wants sound, and pull while it has output:
 *
 *     coeval_status status = COEVAL_OK;
 *     do {
 *         while (status == COEVAL_OK && coeval_resampler_wants(r, &frame)) {
 *             // read up to `count` frames of the source, starting at that frame
 *             if (count == 0) status = coeval_resampler_end_of_source(r, error);
 *             else status = coeval_resampler_push_interleaved(r, block, count, error);
 *         }
 *         if (status == COEVAL_OK)
 *             status = coeval_resampler_pull_interleaved(r, out, capacity, NULL, &frames, error);
 *     } while (status == COEVAL_OK && frames > 0);
 *
 * If your host delivers sound at its own pace, push it with its place in the source:
 * `coeval_resampler_push_at_interleaved`. Blocks of up to 4096 frames are pushed and pulled without an allocation.
 */
typedef struct coeval_resampler coeval_resampler;

/**
 * Options for `frames` frames of output at `target_rate_hz` from a source at `source_rate_hz`. `COEVAL_OPEN_END` frames:
 * as many as the source has. Rates are 1000 to 768000, `channels` 1 to 64; they are checked by `coeval_resampler_new`.
 * [allocates]
 */
coeval_resample_options *coeval_resample_options_new(double source_rate_hz,
                                                     double target_rate_hz,
                                                     size_t channels,
                                                     uint64_t frames);

/**
 * Frees the options and sets `*options` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_resample_options_free(coeval_resample_options **options);

/**
 * Output time of output frame 0, seconds, within a year of zero. Default 0.
 * [real-time]
 */
coeval_status coeval_resample_options_set_start_s(coeval_resample_options *options,
                                                  double start_s,
                                                  coeval_error *error);

/**
 * Length of the source in frames, if known. The resampler then wants no sound after its end.
 * [real-time]
 */
coeval_status coeval_resample_options_set_source_frames(coeval_resample_options *options,
                                                        uint64_t source_frames,
                                                        coeval_error *error);

/**
 * Length of the fades at a jump, seconds, 0 to 1. Default 0.005.
 * [real-time]
 */
coeval_status coeval_resample_options_set_fade_s(coeval_resample_options *options,
                                                 double fade_s,
                                                 coeval_error *error);

/**
 * A resampler, written to `*out`. `source` maps the source's time to the timeline. With `clip`, the map of another
 * file, the output lies under that clip: output time is the clip's own time. With NULL the output lies on the
 * timeline. Maps and options may be freed afterwards.
 * [allocates]
 */
coeval_status coeval_resampler_new(const coeval_clock_map *source,
                                   const coeval_clock_map *clip,
                                   const coeval_resample_options *options,
                                   coeval_resampler **out,
                                   coeval_error *error);

/**
 * Returns 1 and writes the source frame to push next to `*frame`. Returns 0 when nothing is wanted now: then pull. The
 * frame is mostly the one after the last that was pushed. After a jump it may be further on: the sound in between is not
 * needed. If a clip repeats time, it may be further back: read the source from there again.
 * [real-time]
 */
int32_t coeval_resampler_wants(const coeval_resampler *resampler,
                               uint64_t *frame);

/**
 * Takes the next source frames, interleaved. The first must be the frame that `coeval_resampler_wants` names. NaN and
 * infinite samples count as silence. Fails when nothing is wanted.
 * [real-time]
 */
coeval_status coeval_resampler_push_interleaved(coeval_resampler *resampler,
                                                const float *samples,
                                                size_t frames,
                                                coeval_error *error);

/**
 * As `coeval_resampler_push_interleaved`, with one pointer for each channel.
 * [real-time]
 */
coeval_status coeval_resampler_push_planar(coeval_resampler *resampler,
                                           const float *const *channels,
                                           size_t frames,
                                           coeval_error *error);

/**
 * Takes source frames, interleaved; the first is source frame `frame`. Frames before the one that
 * `coeval_resampler_wants` names are skipped. Fails if the block begins after that frame, and if output must be pulled
 * first. When all output has been made, the block is ignored. For a host that delivers sound at its own pace:
 *
 *     status = coeval_resampler_push_at_interleaved(r, at, block, count, error);
 *     at += count;
 *     do {
 *         if (status == COEVAL_OK)
 *             status = coeval_resampler_pull_interleaved(r, out, capacity, NULL, &frames, error);
 *     } while (status == COEVAL_OK && frames > 0);
 *
 * If there is a jump within a block, the same block is wanted again, from a later frame on. So ask
 * `coeval_resampler_wants` after pulling, and push the block again as long as the wanted frame lies in it.
 * [real-time]
 */
coeval_status coeval_resampler_push_at_interleaved(coeval_resampler *resampler,
                                                   uint64_t frame,
                                                   const float *samples,
                                                   size_t frames,
                                                   coeval_error *error);

/**
 * As `coeval_resampler_push_at_interleaved`, with one pointer for each channel.
 * [real-time]
 */
coeval_status coeval_resampler_push_at_planar(coeval_resampler *resampler,
                                              uint64_t frame,
                                              const float *const *channels,
                                              size_t frames,
                                              coeval_error *error);

/**
 * Begins again at another moment, such as after a seek: output frame 0 is then at output time `start_s`. Maps, length
 * and a known end of the source stay the same. This takes microseconds; a new resampler takes milliseconds.
 * [allocates]
 */
coeval_status coeval_resampler_reset(coeval_resampler *resampler,
                                     double start_s,
                                     coeval_error *error);

/**
 * Number of frames that can be pulled, at least, before more source is wanted; 0 if `resampler` is invalid.
 * [real-time]
 */
uint64_t coeval_resampler_available(const coeval_resampler *resampler);

/**
 * 1 when all frames have been pulled or `resampler` is invalid, else 0.
 * [real-time]
 */
int32_t coeval_resampler_done(const coeval_resampler *resampler);

/**
 * Number of source frames after its own position that an output frame needs before it can be pulled; 0 if `resampler` is
 * invalid. This does not delay the output: each frame keeps its position.
 * [real-time]
 */
size_t coeval_resampler_latency_frames(const coeval_resampler *resampler);

/**
 * Says that the source ends at the frame that `coeval_resampler_wants` names.
 * [real-time]
 */
coeval_status coeval_resampler_end_of_source(coeval_resampler *resampler, coeval_error *error);

/**
 * Writes up to `capacity` output frames, interleaved, to `samples`, and their number to `*frames`: 0 when all are
 * out, or when the resampler wants sound. `presence` (NULL, or room for `capacity` values) receives how much of
 * each frame comes from the source: 1 where the source has sound, 0 where it has none, and between in a fade. To fill
 * the gaps with other sound, mix it in with the gain 1 minus presence.
 * [real-time]
 */
coeval_status coeval_resampler_pull_interleaved(coeval_resampler *resampler,
                                                float *samples,
                                                size_t capacity,
                                                float *presence,
                                                size_t *frames,
                                                coeval_error *error);

/**
 * As `coeval_resampler_pull_interleaved`, with one pointer for each channel, each with room for `capacity` samples.
 * [real-time]
 */
coeval_status coeval_resampler_pull_planar(coeval_resampler *resampler,
                                           float *const *channels,
                                           size_t capacity,
                                           float *presence,
                                           size_t *frames,
                                           coeval_error *error);

/**
 * Frees the resampler and sets `*resampler` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_resampler_free(coeval_resampler **resampler);

/* ---- Limiter --------------------------------------------------------------------------------- */

/**
 * Keeps true peaks under a limit, in blocks of any size. It turns all channels down alike just before a peak, and
 * slowly up again after it. Push sound, and pull what is ready. As many frames come out as went in. One thread at a
 * time.
 */
typedef struct coeval_limiter coeval_limiter;

/**
 * A limiter for sound at `rate_hz` (8000 to 768000) with `channels` (1 to 64), written to `*out`. No true peak shall be
 * above `limit_dbtp` (-60 to 0 dB relative to full scale).
 * [allocates]
 */
coeval_status coeval_limiter_new(double rate_hz,
                                 size_t channels,
                                 double limit_dbtp,
                                 coeval_limiter **out,
                                 coeval_error *error);

/**
 * Takes the next `frames` frames, interleaved. NaN and infinite samples count as silence.
 * [real-time]
 */
coeval_status coeval_limiter_push_interleaved(coeval_limiter *limiter,
                                              const float *samples,
                                              size_t frames,
                                              coeval_error *error);

/**
 * As `coeval_limiter_push_interleaved`, with one pointer for each channel.
 * [real-time]
 */
coeval_status coeval_limiter_push_planar(coeval_limiter *limiter,
                                         const float *const *channels,
                                         size_t frames,
                                         coeval_error *error);

/**
 * Ends the sound: the rest becomes ready. The limiter takes no more sound.
 * [allocates]
 */
coeval_status coeval_limiter_end(coeval_limiter *limiter, coeval_error *error);

/**
 * Writes up to `capacity` frames that are ready, interleaved, to `samples`, and their number to `*frames`.
 * [real-time]
 */
coeval_status coeval_limiter_pull_interleaved(coeval_limiter *limiter,
                                              float *samples,
                                              size_t capacity,
                                              size_t *frames,
                                              coeval_error *error);

/**
 * As `coeval_limiter_pull_interleaved`, with one pointer for each channel, each with room for `capacity` samples.
 * [real-time]
 */
coeval_status coeval_limiter_pull_planar(coeval_limiter *limiter,
                                         float *const *channels,
                                         size_t capacity,
                                         size_t *frames,
                                         coeval_error *error);

/**
 * Delay of the output in frames; 0 if `limiter` is invalid.
 * [real-time]
 */
size_t coeval_limiter_latency_frames(const coeval_limiter *limiter);

/**
 * Frees the limiter and sets `*limiter` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_limiter_free(coeval_limiter **limiter);

/* ---- Levels ---------------------------------------------------------------------------------- */

/**
 * What a list of stretches is about. Numbers never change.
 */
enum coeval_stretches
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
    /**
     * Clipped runs of all channels.
     */
    COEVAL_CLIPPING = 0,
    /**
     * Digital silence of 0.1 s or more in every channel.
     */
    COEVAL_SILENCE = 1,
    /**
     * Zeros for 1 to 100 ms in every channel amid sound.
     */
    COEVAL_DROPOUTS = 2,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum coeval_stretches coeval_stretches;
#else
typedef int32_t coeval_stretches;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/**
 * Measures levels, block by block. One thread at a time.
 */
typedef struct coeval_level_meter coeval_level_meter;

/**
 * Result of a level meter. Never changes: any number of threads may use one.
 */
typedef struct coeval_level_report coeval_level_report;

/**
 * The readings of all channels together. Set `struct_size` to `sizeof(coeval_level_summary)` before the call.
 */
typedef struct {
    /**
     * Size of this struct as the caller knows it; after the call, how much of it was filled.
     */
    size_t struct_size;
    /**
     * Length of the sound, seconds.
     */
    double duration_s;
    /**
     * Number of channels.
     */
    size_t channel_count;
    /**
     * Integrated loudness, LUFS; NaN: nothing above the gate.
     */
    double integrated_lufs;
    /**
     * Largest momentary loudness (0.4 s), LUFS, or NaN.
     */
    double momentary_max_lufs;
    /**
     * Largest short-term loudness (3 s), LUFS, or NaN.
     */
    double short_term_max_lufs;
    /**
     * Loudness range, LU, or NaN.
     */
    double loudness_range_lu;
    /**
     * Level below which the quietest tenth of the sound stays, dB relative to full scale, or NaN.
     */
    double noise_floor_dbfs;
    /**
     * Mains frequency whose multiples are in the sound, Hz; NaN without hum.
     */
    double hum_hz;
    /**
     * Level of this hum, all multiples together, dB relative to full scale, or NaN.
     */
    double hum_dbfs;
    /**
     * All digital silence together, seconds.
     */
    double silence_total_s;
    /**
     * Number of drop-outs.
     */
    uint64_t dropout_count;
    /**
     * Number of lines of advice, see `coeval_level_report_advice`.
     */
    size_t advice_count;
} coeval_level_summary;

/**
 * One channel's readings. Set `struct_size` to `sizeof(coeval_channel_level)` before the call.
 */
typedef struct {
    /**
     * Size of this struct as the caller knows it; after the call, how much of it was filled.
     */
    size_t struct_size;
    /**
     * Largest sample magnitude, dB relative to full scale; minus infinity for silence.
     */
    double sample_peak_dbfs;
    /**
     * Largest magnitude between samples too, dBTP; minus infinity for silence.
     */
    double true_peak_dbtp;
    /**
     * Mean of the samples, full scale is 1.
     */
    double dc;
    /**
     * Root mean square, dB relative to full scale.
     */
    double rms_dbfs;
    /**
     * Number of runs of three or more clipped samples.
     */
    uint64_t clipped_runs;
    /**
     * Number of samples in them.
     */
    uint64_t clipped_samples;
    /**
     * Level of the active part (such as speech), dB relative to full scale; NaN without one.
     */
    double active_level_dbfs;
    /**
     * Share of the time that the active part takes, 0 to 1.
     */
    double activity;
} coeval_channel_level;

/**
 * A stretch of the sound.
 */
typedef struct {
    /**
     * Where it starts, seconds after the first frame.
     */
    double start_s;
    /**
     * How long it is, seconds.
     */
    double length_s;
} coeval_stretch;

/**
 * A meter for sound at `rate_hz` (8000 to 192000, whole) with `channels` (1 to 64), written to `*out`.
 * [allocates]
 */
coeval_status coeval_level_meter_new_hz(double rate_hz,
                                        size_t channels,
                                        coeval_level_meter **out,
                                        coeval_error *error);

/**
 * The earlier form of `coeval_level_meter_new_hz`, with the rate as a whole number.
 * [allocates]
 */
COEVAL_DEPRECATED
coeval_status coeval_level_meter_new(uint32_t rate_hz,
                                     size_t channels,
                                     coeval_level_meter **out,
                                     coeval_error *error);

/**
 * Takes the next `frames` frames, interleaved. NaN and infinite samples count as zero.
 * [allocates]
 */
coeval_status coeval_level_meter_push_interleaved(coeval_level_meter *meter,
                                                  const float *samples,
                                                  size_t frames,
                                                  coeval_error *error);

/**
 * As `coeval_level_meter_push_interleaved`, with one pointer for each channel.
 * [allocates]
 */
coeval_status coeval_level_meter_push_planar(coeval_level_meter *meter,
                                             const float *const *channels,
                                             size_t frames,
                                             coeval_error *error);

/**
 * Writes the readings to `*out`. The meter is used up: `*meter` becomes NULL.
 * [allocates]
 */
coeval_status coeval_level_meter_finish(coeval_level_meter **meter,
                                        coeval_level_report **out,
                                        coeval_error *error);

/**
 * Frees the meter and sets `*meter` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_level_meter_free(coeval_level_meter **meter);

/**
 * Fills `*summary` with the readings of all channels together.
 * [real-time]
 */
coeval_status coeval_level_report_get_summary(const coeval_level_report *report,
                                              coeval_level_summary *summary,
                                              coeval_error *error);

/**
 * Fills `*level` with one channel's readings.
 * [real-time]
 */
coeval_status coeval_level_report_get_channel(const coeval_level_report *report,
                                              size_t channel,
                                              coeval_channel_level *level,
                                              coeval_error *error);

/**
 * Copies the first `capacity` stretches of a kind, a `coeval_stretches`, to `out` and returns how many there are: the
 * first thousand are kept. 0 for an unknown kind, and if `report` is invalid.
 * [real-time]
 */
size_t coeval_level_report_stretches(const coeval_level_report *report,
                                     int32_t what,
                                     coeval_stretch *out,
                                     size_t capacity);

/**
 * A line of advice, the serious first, or NULL when there is no line of this number. `*serious` (may be NULL) is set
 * to 1 when it spoils the recording, else to 0. Valid until the report is freed.
 * [real-time]
 */
const char *coeval_level_report_advice(const coeval_level_report *report,
                                       size_t index,
                                       int32_t *serious);

/**
 * Frees the report and sets `*report` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_level_report_free(coeval_level_report **report);

/* ---- Markers --------------------------------------------------------------------------------- */

/**
 * How the energy of a marker changes over time. Numbers never change; later versions may add some.
 */
enum coeval_shape
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
    /**
     * Starts suddenly and dies away: a clap, a slate, a knock.
     */
    COEVAL_CLAP = 1,
    /**
     * Over within a millisecond: a switch, a digital click.
     */
    COEVAL_CLICK = 2,
    /**
     * Starts suddenly and goes on: radio squelch, a horn.
     */
    COEVAL_BURST = 3,
    /**
     * Sudden, but only in the low octaves: a wave against the hull, wind.
     */
    COEVAL_THUD = 4,
    /**
     * A shape that this version of the C library has no number for.
     */
    COEVAL_OTHER_SHAPE = 1000,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum coeval_shape coeval_shape;
#else
typedef int32_t coeval_shape;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/**
 * Whether a marker stands alone. Numbers never change; later versions may add some.
 */
enum coeval_grouping
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
    /**
     * No other marker within 1.5 s.
     */
    COEVAL_ISOLATED = 1,
    /**
     * One of a few, such as three claps.
     */
    COEVAL_SERIES = 2,
    /**
     * One of six or more at equal intervals: a machine, not a marker.
     */
    COEVAL_PERIODIC = 3,
    /**
     * A grouping that this version of the C library has no number for.
     */
    COEVAL_OTHER_GROUPING = 1000,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum coeval_grouping coeval_grouping;
#else
typedef int32_t coeval_grouping;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/**
 * Finds markers in sound that arrives in blocks, and keeps them (some kilobytes each). One thread at a time.
 */
typedef struct coeval_marker_detector coeval_marker_detector;

/**
 * Offset and drift of two recordings, from their markers alone. Never changes: any number of threads may use one.
 */
typedef struct coeval_marker_match coeval_marker_match;

/**
 * Options for finding markers. One thread at a time.
 */
typedef struct coeval_marker_options coeval_marker_options;

/**
 * A short sharp sound. Set `struct_size` to `sizeof(coeval_marker)` before the call.
 */
typedef struct {
    /**
     * Size of this struct as the caller knows it; after the call, how much of it was filled.
     */
    size_t struct_size;
    /**
     * Its onset, seconds after the first frame that was pushed.
     */
    double time_s;
    /**
     * One standard deviation of `time_s`, seconds.
     */
    double uncertainty_s;
    /**
     * Energy of the 3 ms after the onset relative to the 10 ms before it, whitened, dB.
     */
    double sharpness_db;
    /**
     * Largest sample magnitude within 20 ms of the onset, dB relative to full scale.
     */
    double peak_dbfs;
    /**
     * Largest energy in 1 ms relative to the noise before it, whitened, dB.
     */
    double snr_db;
    /**
     * How much it is like a clap or a knock: log odds.
     */
    double score;
    /**
     * How its energy changes over time, a `coeval_shape`.
     */
    int32_t shape;
    /**
     * Whether it stands alone, a `coeval_grouping`.
     */
    int32_t grouping;
    /**
     * Interval between the beats of the count-in before it, seconds; NaN without a count-in.
     */
    double count_in_interval_s;
} coeval_marker;

/**
 * The figures of a `coeval_marker_match`. Set `struct_size` to `sizeof(coeval_marker_match_summary)` before the call.
 */
typedef struct {
    /**
     * Size of this struct as the caller knows it; after the call, how much of it was filled.
     */
    size_t struct_size;
    /**
     * 1: they match. 0: chance alone could explain it; then every figure is NaN or 0.
     */
    int32_t matched;
    /**
     * Not used yet, 0.
     */
    int32_t reserved;
    /**
     * `a` time minus `b` time at the start of `b`, seconds.
     */
    double offset_s;
    /**
     * (seconds of `a` per second of `b` - 1) * 1e6.
     */
    double drift_ppm;
    /**
     * One standard deviation of `drift_ppm`.
     */
    double drift_sigma_ppm;
    /**
     * One standard deviation of the offset in the middle of the matched markers, seconds.
     */
    double uncertainty_s;
    /**
     * Root mean square of the pairs against the line, seconds.
     */
    double residual_rms_s;
    /**
     * Probability that the match is right.
     */
    double confidence;
    /**
     * Number of matched markers, see `coeval_marker_match_pairs`.
     */
    size_t pair_count;
} coeval_marker_match_summary;

/**
 * One marker of each recording that are the same sound.
 */
typedef struct {
    /**
     * Number of the marker in `a`.
     */
    size_t a_index;
    /**
     * Number of the marker in `b`.
     */
    size_t b_index;
    /**
     * Its time in `a`, seconds, after comparing the two waveforms.
     */
    double a_s;
    /**
     * Its time in `b`, seconds.
     */
    double b_s;
    /**
     * One standard deviation of `a_s` given `b_s`, seconds.
     */
    double sigma_s;
} coeval_marker_pair;

/**
 * Options with their defaults.
 * [allocates]
 */
coeval_marker_options *coeval_marker_options_new(void);

/**
 * Frees the options and sets `*options` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_marker_options_free(coeval_marker_options **options);

/**
 * Minimum peak, dB relative to full scale. Quieter sounds are left out. Default -60.
 * [real-time]
 */
coeval_status coeval_marker_options_set_min_peak_dbfs(coeval_marker_options *options,
                                                      double min_peak_dbfs,
                                                      coeval_error *error);

/**
 * Minimum score of a marker (log odds). Default 0.
 * [real-time]
 */
coeval_status coeval_marker_options_set_min_score(coeval_marker_options *options,
                                                  double min_score,
                                                  coeval_error *error);

/**
 * A detector for sound at `rate_hz` (8000 to 192000) with `channels` (1 to 64), written to `*out`. `options` may be
 * NULL for the defaults.
 * [allocates]
 */
coeval_status coeval_marker_detector_new(double rate_hz,
                                         size_t channels,
                                         const coeval_marker_options *options,
                                         coeval_marker_detector **out,
                                         coeval_error *error);

/**
 * Takes the next `frames` frames, interleaved. A marker is certain about 7 s after it sounded. NaN and infinite samples
 * count as silence.
 * [allocates]
 */
coeval_status coeval_marker_detector_push_interleaved(coeval_marker_detector *detector,
                                                      const float *samples,
                                                      size_t frames,
                                                      coeval_error *error);

/**
 * As `coeval_marker_detector_push_interleaved`, with one pointer for each channel.
 * [allocates]
 */
coeval_status coeval_marker_detector_push_planar(coeval_marker_detector *detector,
                                                 const float *const *channels,
                                                 size_t frames,
                                                 coeval_error *error);

/**
 * Says that the sound has ended: the last markers become certain. The detector takes no more sound.
 * [allocates]
 */
coeval_status coeval_marker_detector_end(coeval_marker_detector *detector, coeval_error *error);

/**
 * Number of markers that are certain by now. 0 if `detector` is invalid.
 * [real-time]
 */
size_t coeval_marker_detector_count(const coeval_marker_detector *detector);

/**
 * Fills `*marker` with the marker of this number, in time order from 0.
 * [real-time]
 */
coeval_status coeval_marker_detector_get(const coeval_marker_detector *detector,
                                         size_t index,
                                         coeval_marker *marker,
                                         coeval_error *error);

/**
 * Frees the detector and sets `*detector` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_marker_detector_free(coeval_marker_detector **detector);

/**
 * Looks for the offset and drift at which most markers of `b` coincide with those of `a`, and writes the result to `*out`.
 * If they do not match, this is a result, not a failure. `options` may be NULL; the detectors are not changed.
 * [allocates]
 */
coeval_status coeval_marker_match_new(const coeval_marker_detector *a,
                                      const coeval_marker_detector *b,
                                      const coeval_pair_options *options,
                                      coeval_marker_match **out,
                                      coeval_error *error);

/**
 * The earlier name of `coeval_marker_match_new`.
 * [allocates]
 */
COEVAL_DEPRECATED
coeval_status coeval_match_markers(const coeval_marker_detector *a,
                                   const coeval_marker_detector *b,
                                   const coeval_pair_options *options,
                                   coeval_marker_match **out,
                                   coeval_error *error);

/**
 * Fills `*summary` with the figures.
 * [real-time]
 */
coeval_status coeval_marker_match_get_summary(const coeval_marker_match *found,
                                              coeval_marker_match_summary *summary,
                                              coeval_error *error);

/**
 * Copies the first `capacity` matched markers, in time order, to `out` and returns how many there are. 0 if `found` is invalid.
 * [real-time]
 */
size_t coeval_marker_match_pairs(const coeval_marker_match *found,
                                 coeval_marker_pair *out,
                                 size_t capacity);

/**
 * Frees the match and sets `*found` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_marker_match_free(coeval_marker_match **found);

/* ---- Timecode in sound ----------------------------------------------------------------------- */

/**
 * Reads linear timecode (LTC, SMPTE ST 12-1) from one channel of sound that arrives in blocks, and keeps its frames. One
 * thread at a time.
 */
typedef struct coeval_ltc_decoder coeval_ltc_decoder;

/**
 * One frame of timecode. Set `struct_size` to `sizeof(coeval_ltc_frame)` before the call.
 */
typedef struct {
    /**
     * Size of this struct as the caller knows it; after the call, how much of it was filled.
     */
    size_t struct_size;
    /**
     * Where it begins, seconds after the first sample that was pushed.
     */
    double start_s;
    /**
     * How long it is, seconds.
     */
    double length_s;
    /**
     * 0 to 23.
     */
    int32_t hours;
    /**
     * 0 to 59.
     */
    int32_t minutes;
    /**
     * 0 to 59.
     */
    int32_t seconds;
    /**
     * Frame within the second, from 0.
     */
    int32_t frames;
    /**
     * Frames are counted to this number: 24, 25 or 30.
     */
    int32_t fps;
    /**
     * 1: drop-frame, which skips labels to keep 30000/1001 fps near clock time. 0: not.
     */
    int32_t drop_frame;
    /**
     * The eight groups of user bits, the first group lowest.
     */
    uint32_t user_bits;
    /**
     * As written, with a zero at its end: `01:02:03:04`, with `;` before the frames of drop-frame.
     */
    char label[12];
} coeval_ltc_frame;

/**
 * A decoder for one channel at `rate_hz` (22050 to 768000), written to `*out`.
 * [allocates]
 */
coeval_status coeval_ltc_decoder_new(double rate_hz, coeval_ltc_decoder **out, coeval_error *error);

/**
 * Takes the next `frames` samples. NaN and infinite samples count as silence.
 * [allocates]
 */
coeval_status coeval_ltc_decoder_push_interleaved(coeval_ltc_decoder *decoder,
                                                  const float *samples,
                                                  size_t frames,
                                                  coeval_error *error);

/**
 * Says that the sound has ended: the last frame becomes certain. The decoder takes no more sound.
 * [allocates]
 */
coeval_status coeval_ltc_decoder_end(coeval_ltc_decoder *decoder, coeval_error *error);

/**
 * Number of frames that are certain by now; 0 for sound without timecode, and if `decoder` is invalid.
 * [real-time]
 */
size_t coeval_ltc_decoder_count(const coeval_ltc_decoder *decoder);

/**
 * Fills `*frame` with the frame of this number, in time order from 0.
 * [real-time]
 */
coeval_status coeval_ltc_decoder_get(const coeval_ltc_decoder *decoder,
                                     size_t index,
                                     coeval_ltc_frame *frame,
                                     coeval_error *error);

/**
 * Frees the decoder and sets `*decoder` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_ltc_decoder_free(coeval_ltc_decoder **decoder);

/* ---- Speech ---------------------------------------------------------------------------------- */

/**
 * Time from one probability of speech to the next, seconds.
 */
#define COEVAL_SPEECH_STEP_S 0.01

/**
 * Rate of the sound that a `coeval_shared_meter` compares, Hz.
 */
#define COEVAL_SPEECH_RATE_HZ 16000.0

/**
 * Where a voice on the recorder's track comes from. Numbers never change; later versions may add some.
 */
enum coeval_origin
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
    /**
     * A local voice: any voice that does not come over the radio. JSON calls it `intercom`.
     */
    COEVAL_INTERCOM = 1,
    /**
     * The radio.
     */
    COEVAL_RADIO = 2,
    /**
     * Nothing tells one from the other.
     */
    COEVAL_UNKNOWN_ORIGIN = 3,
    /**
     * An origin that this version of the C library has no number for.
     */
    COEVAL_OTHER_ORIGIN = 1000,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum coeval_origin coeval_origin;
#else
typedef int32_t coeval_origin;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/**
 * Measures whether a camera hears the same speech as the recorder, at the same moment. A radio call is heard in headsets
 * only, so no camera hears it. One thread at a time.
 */
typedef struct coeval_shared_meter coeval_shared_meter;

/**
 * Detects when someone speaks, in sound that arrives in blocks. One thread at a time.
 *
 * To detect speech is to process what people said: those recorded must agree. Radio traffic may be unlawful to record
 * or publish where you are.
 */
typedef struct coeval_speech_builder coeval_speech_builder;

/**
 * Probability of speech over time. Never changes: any number of threads may use one.
 */
typedef struct coeval_speech_curve coeval_speech_curve;

/**
 * Options for making stretches of speech from probabilities. One thread at a time.
 */
typedef struct coeval_speech_options coeval_speech_options;

/**
 * Stretches of speech, in time order. Never changes: any number of threads may use one.
 */
typedef struct coeval_speech_segments coeval_speech_segments;

/**
 * A stretch of speech. Set `struct_size` to `sizeof(coeval_speech_segment)` before the call.
 */
typedef struct {
    /**
     * Size of this struct as the caller knows it; after the call, how much of it was filled.
     */
    size_t struct_size;
    /**
     * Where it begins, seconds after the first frame that was pushed.
     */
    double start_s;
    /**
     * Where it ends, seconds.
     */
    double end_s;
    /**
     * Mean probability of speech in it, 0 to 1.
     */
    double confidence;
    /**
     * Power outside a radio's band over power inside it, without the noise floor, dB. It is low for a radio; NaN if
     * unknown.
     */
    double outside_band_db;
} coeval_speech_segment;

/**
 * A stretch in which somebody speaks. Set `struct_size` to `sizeof(coeval_voice)` before the call.
 */
typedef struct {
    /**
     * Size of this struct as the caller knows it; after the call, how much of it was filled.
     */
    size_t struct_size;
    /**
     * Where it begins on the timeline, seconds.
     */
    double start_s;
    /**
     * Where it ends, seconds.
     */
    double end_s;
    /**
     * Mean probability of speech, 0 to 1.
     */
    double confidence;
    /**
     * Where the voice comes from, a `coeval_origin`.
     */
    int32_t origin;
    /**
     * Not used yet, 0.
     */
    int32_t reserved;
    /**
     * Number of cameras that ran at that time, see `coeval_voices_camera`.
     */
    size_t camera_count;
    /**
     * Probability that it comes over the radio, 0 to 1; NaN where it was not asked: a camera heard it by itself, or an
     * earlier version found it.
     */
    double radio;
} coeval_voice;

/**
 * A builder for sound at `rate_hz` (1000 to 768000, need not be whole) with `channels` (1 to 64), which are averaged,
 * written to `*out`.
 * [allocates]
 */
coeval_status coeval_speech_builder_new(double rate_hz,
                                        size_t channels,
                                        coeval_speech_builder **out,
                                        coeval_error *error);

/**
 * Takes the next `frames` frames, interleaved. NaN and infinite samples count as silence.
 * [allocates]
 */
coeval_status coeval_speech_builder_push_interleaved(coeval_speech_builder *builder,
                                                     const float *samples,
                                                     size_t frames,
                                                     coeval_error *error);

/**
 * As `coeval_speech_builder_push_interleaved`, with one pointer for each channel.
 * [allocates]
 */
coeval_status coeval_speech_builder_push_planar(coeval_speech_builder *builder,
                                                const float *const *channels,
                                                size_t frames,
                                                coeval_error *error);

/**
 * Writes the finished curve to `*out`. The builder is used up: `*builder` becomes NULL.
 * [allocates]
 */
coeval_status coeval_speech_builder_finish(coeval_speech_builder **builder,
                                           coeval_speech_curve **out,
                                           coeval_error *error);

/**
 * Frees the builder and sets `*builder` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_speech_builder_free(coeval_speech_builder **builder);

/**
 * A curve made elsewhere, of `count` probabilities, each 0 to 1, one for every `COEVAL_SPEECH_STEP_S`, written to
 * `*out`. It carries no evidence about radio.
 * [allocates]
 */
coeval_status coeval_speech_curve_from_values(const float *probability,
                                              size_t count,
                                              coeval_speech_curve **out,
                                              coeval_error *error);

/**
 * Copies the first `capacity` probabilities, each 0 to 1, one for every `COEVAL_SPEECH_STEP_S`, to `out` and returns
 * how many there are; a begun last step counts. 0 if `curve` is invalid.
 * [real-time]
 */
size_t coeval_speech_curve_probability(const coeval_speech_curve *curve,
                                       float *out,
                                       size_t capacity);

/**
 * Frees the curve and sets `*curve` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_speech_curve_free(coeval_speech_curve **curve);

/**
 * Options with their defaults. What is set is checked by `coeval_speech_curve_segments`.
 * [allocates]
 */
coeval_speech_options *coeval_speech_options_new(void);

/**
 * Frees the options and sets `*options` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_speech_options_free(coeval_speech_options **options);

/**
 * Probability that a stretch must reach, 0 to 1 (default 0.88), and the one below which it ends, 0 to `enter`
 * (default 0.5).
 * [real-time]
 */
coeval_status coeval_speech_options_set_thresholds(coeval_speech_options *options,
                                                   float enter,
                                                   float leave,
                                                   coeval_error *error);

/**
 * Minimum time above the first threshold, seconds, 0 to 10. Default 0.1.
 * [real-time]
 */
coeval_status coeval_speech_options_set_min_speech_s(coeval_speech_options *options,
                                                     double min_speech_s,
                                                     coeval_error *error);

/**
 * Shorter pauses are part of the speech, seconds, 0 to 10. Default 0.3.
 * [real-time]
 */
coeval_status coeval_speech_options_set_min_pause_s(coeval_speech_options *options,
                                                    double min_pause_s,
                                                    coeval_error *error);

/**
 * Each stretch is extended at its end by this, seconds, 0 to 10. Default 0.
 * [real-time]
 */
coeval_status coeval_speech_options_set_hang_over_s(coeval_speech_options *options,
                                                    double hang_over_s,
                                                    coeval_error *error);

/**
 * Makes stretches of speech from a curve and writes them to `*out`. A stretch begins where the probability rises above the
 * second threshold, if it reaches the first before it falls below the second again. `options` may be NULL for the defaults.
 * [allocates]
 */
coeval_status coeval_speech_curve_segments(const coeval_speech_curve *curve,
                                           const coeval_speech_options *options,
                                           coeval_speech_segments **out,
                                           coeval_error *error);

/**
 * Number of stretches. 0 if `segments` is invalid.
 * [real-time]
 */
size_t coeval_speech_segments_count(const coeval_speech_segments *segments);

/**
 * Fills `*out` with the stretch of this number, in time order from 0.
 * [real-time]
 */
coeval_status coeval_speech_segments_get(const coeval_speech_segments *segments,
                                         size_t index,
                                         coeval_speech_segment *out,
                                         coeval_error *error);

/**
 * Where the voice of a stretch comes from by two thresholds, `COEVAL_INTERCOM` or `COEVAL_RADIO`; -1 when there is no such
 * stretch. `coeval_alignment_hear` weighs more, cuts where the origin changes, and gives a probability. `shared` is the
 * largest value that the `coeval_shared_meter`s of the cameras that ran meanwhile give for it. If it is NaN, because none
 * ran, only the frequency band decides.
 * [real-time]
 */
int32_t coeval_speech_segments_origin(const coeval_speech_segments *segments,
                                      size_t index,
                                      double shared);

/**
 * Frees the stretches and sets `*segments` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_speech_segments_free(coeval_speech_segments **segments);

/**
 * A meter for stretches of the recorder's sound, written to `*out`. The stretches may be freed afterwards.
 * [allocates]
 */
coeval_status coeval_shared_meter_new(const coeval_speech_segments *segments,
                                      coeval_shared_meter **out,
                                      coeval_error *error);

/**
 * Takes the next `samples` samples of both, mono, at `COEVAL_SPEECH_RATE_HZ`, from the start of the recorder's sound on.
 * The camera's samples must be on the recorder's clock: use a `coeval_resampler`. They are NaN where the camera did not run.
 * [allocates]
 */
coeval_status coeval_shared_meter_push(coeval_shared_meter *meter,
                                       const float *recorder,
                                       const float *camera,
                                       size_t samples,
                                       coeval_error *error);

/**
 * Writes to `out`, for each stretch, how surely the camera hears the same, in standard deviations; NaN where it did
 * not run. `capacity` must be the number of stretches or more. The meter is used up: `*meter` becomes NULL.
 * [allocates]
 */
coeval_status coeval_shared_meter_finish(coeval_shared_meter **meter,
                                         double *out,
                                         size_t capacity,
                                         coeval_error *error);

/**
 * Frees the meter and sets `*meter` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_shared_meter_free(coeval_shared_meter **meter);

/* ---- Shoots ---------------------------------------------------------------------------------- */

/**
 * Kind of device. Numbers never change.
 */
enum coeval_kind
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
    /**
     * Neither is known.
     */
    COEVAL_OTHER_DEVICE = 0,
    /**
     * Has picture.
     */
    COEVAL_CAMERA = 1,
    /**
     * Sound only.
     */
    COEVAL_RECORDER = 2,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum coeval_kind coeval_kind;
#else
typedef int32_t coeval_kind;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/**
 * All recordings on one clock: the result contract `coeval.alignment/1`. Never changes: any number of threads may
 * use one. Files are numbered from 0, recording by recording.
 */
typedef struct coeval_alignment coeval_alignment;

/**
 * The recordings of one event (paths, tracks or both) and the options for aligning them. One thread at a time.
 */
typedef struct coeval_shoot coeval_shoot;

/**
 * The figures of one file. Set `struct_size` to `sizeof(coeval_file)` before the call.
 */
typedef struct {
    /**
     * Size of this struct as the caller knows it; after the call, how much of it was filled.
     */
    size_t struct_size;
    /**
     * Its recording.
     */
    size_t recording;
    /**
     * 1: it is placed on the timeline. 0: it is unplaced; `coeval_alignment_file_reason` says why.
     */
    int32_t placed;
    /**
     * The event whose timeline it is placed on, from 1; 0 when unplaced.
     */
    int32_t event;
    /**
     * Length on presentation time, seconds; NaN when the file cannot be read.
     */
    double duration_s;
    /**
     * Probability that the placement is right; NaN when unplaced.
     */
    double confidence;
    /**
     * One standard deviation of the placement's error, seconds; NaN when unplaced.
     */
    double uncertainty_s;
    /**
     * Timeline time minus file time at the file's start, seconds; NaN when unplaced.
     */
    double offset_s;
    /**
     * (timeline seconds per file second - 1) * 1e6, mean over the file without its jumps; NaN when unplaced.
     */
    double drift_ppm;
    /**
     * Number of knots, see `coeval_alignment_file_knots`.
     */
    size_t knot_count;
    /**
     * Number of jumps, see `coeval_alignment_file_jumps`.
     */
    size_t jump_count;
} coeval_file;

/**
 * What two recordings share. Set `struct_size` to `sizeof(coeval_recording_pair)` before the call.
 */
typedef struct {
    /**
     * Size of this struct as the caller knows it; after the call, how much of it was filled.
     */
    size_t struct_size;
    /**
     * Id of one recording. Valid until the alignment is freed.
     */
    const char *a;
    /**
     * Id of the other. Valid until the alignment is freed.
     */
    const char *b;
    /**
     * Seconds during which both ran.
     */
    double overlap_s;
    /**
     * Probability that their places against each other are right.
     */
    double confidence;
    /**
     * Root mean square misfit of the evidence to the result, seconds.
     */
    double residual_rms_s;
    /**
     * Number of measurements.
     */
    size_t evidence_count;
} coeval_recording_pair;

/**
 * An anchor, checked against the sound. Set `struct_size` to `sizeof(coeval_anchor_check)` before the call.
 */
typedef struct {
    /**
     * Size of this struct as the caller knows it; after the call, how much of it was filled.
     */
    size_t struct_size;
    /**
     * 1: the result uses it.
     */
    int32_t used;
    /**
     * 1: the sound contradicts it by more than three standard deviations.
     */
    int32_t contradicted;
    /**
     * Where the sound alone puts the moment of `a` minus where it puts that of `b`, seconds; NaN where it cannot tell.
     */
    double disagreement_s;
    /**
     * The same in the result; NaN where one of the files is unplaced.
     */
    double misfit_s;
} coeval_anchor_check;

/**
 * A shoot without recordings, with the default options.
 * [allocates]
 */
coeval_shoot *coeval_shoot_new(void);

/**
 * Frees the shoot and sets `*shoot` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_shoot_free(coeval_shoot **shoot);

/**
 * Adds a folder (searched with its sub-folders) or a file. It is read by `coeval_shoot_align`, and never changed.
 * [allocates]
 */
coeval_status coeval_shoot_add_path(coeval_shoot *shoot,
                                    const char *path_name,
                                    coeval_error *error);

/**
 * Adds a file whose sound the caller has read itself. `name` is what the result calls the file, unique and without
 * `*`; `recording` is the id of its recording (letters, digits, `-`, `_`, `.`): files of one recording are its
 * chapters, in the order in which they are added. `device` is a `coeval_kind`. The track then belongs to the shoot:
 * `*track` becomes NULL.
 * [allocates]
 */
coeval_status coeval_shoot_add_track(coeval_shoot *shoot,
                                     const char *name,
                                     const char *recording,
                                     int32_t device,
                                     coeval_track **track,
                                     coeval_error *error);

/**
 * Sets how two files are compared. The options are copied.
 * [allocates]
 */
coeval_status coeval_shoot_set_pair_options(coeval_shoot *shoot,
                                            const coeval_pair_options *options,
                                            coeval_error *error);

/**
 * The reference clock: the recording whose clock the timeline uses, by its id or the name of one of its files (`*`
 * stands for any characters). NULL, the default: the recording that covers most of the event; a camera if one covers
 * as much.
 * [allocates]
 */
coeval_status coeval_shoot_set_main(coeval_shoot *shoot,
                                    const char *main,
                                    coeval_error *error);

/**
 * How many files are read or compared at once; 0, the default: as many as the machine has cores.
 * [real-time]
 */
coeval_status coeval_shoot_set_threads(coeval_shoot *shoot, size_t threads, coeval_error *error);

/**
 * 1: formats that Coeval cannot read itself may be read through an `ffmpeg` program on PATH. 0, the default: they may not.
 * [real-time]
 */
coeval_status coeval_shoot_set_allow_ffmpeg(coeval_shoot *shoot,
                                            int32_t allow,
                                            coeval_error *error);

/**
 * A folder for measurements. The next alignment of the same files then measures only what is new; the result is the
 * same to the last byte. It is made if it is missing, and holds at most 5 GiB. If nothing can be kept, this is not an
 * error. NULL, the default: nothing is kept.
 * [allocates]
 */
coeval_status coeval_shoot_set_cache(coeval_shoot *shoot,
                                     const char *folder,
                                     coeval_error *error);

/**
 * 1: if sound does not place a camera, look in its picture for a clap that other devices heard, through an `ffmpeg` program
 * on PATH. 0, the default: do not.
 * [real-time]
 */
coeval_status coeval_shoot_set_picture(coeval_shoot *shoot,
                                       int32_t look,
                                       coeval_error *error);

/**
 * 1: photos in the folders are marked by the times in their files (Exif): `photos` in `coeval_alignment_to_json`. 0, the
 * default: they are passed over.
 * [real-time]
 */
coeval_status coeval_shoot_set_photos(coeval_shoot *shoot,
                                      int32_t mark,
                                      coeval_error *error);

/**
 * 0: no two files are joined as chapters unless `coeval_shoot_set_recording` says so. 1, the default: chapters are
 * recognised by format, names and times.
 * [real-time]
 */
coeval_status coeval_shoot_set_recognise_chapters(coeval_shoot *shoot,
                                                  int32_t recognise,
                                                  coeval_error *error);

/**
 * The files that fit `pattern` (names as in the result, `*` for any characters) are chapters of the recording `id`.
 * May be called several times.
 * [allocates]
 */
coeval_status coeval_shoot_set_recording(coeval_shoot *shoot,
                                         const char *id,
                                         const char *pattern,
                                         coeval_error *error);

/**
 * What kind of device made a recording: its id or a pattern of its files, and a `coeval_kind`. May be called several
 * times.
 * [allocates]
 */
coeval_status coeval_shoot_set_kind(coeval_shoot *shoot,
                                    const char *id_or_pattern,
                                    int32_t device,
                                    coeval_error *error);

/**
 * Leaves files out: names below the folder that was added, or bare file names; `*` stands for any characters. May be called
 * several times. A pattern that fits no file is refused when the shoot is aligned.
 * [allocates]
 */
coeval_status coeval_shoot_exclude(coeval_shoot *shoot,
                                   const char *pattern,
                                   coeval_error *error);

/**
 * Distance from device to source: a recording's id or a pattern of its files, and metres, 0 to 1000. It compensates
 * the acoustic delay, 2.9 ms per metre. May be called several times.
 * [allocates]
 */
coeval_status coeval_shoot_set_distance(coeval_shoot *shoot,
                                        const char *id_or_pattern,
                                        double metres,
                                        coeval_error *error);

/**
 * Trusts the files' own times to within `off_s` seconds (0 or more). Two files are then compared only near where their
 * timecodes put them, or their creation times if one has no timecode. Below 0, the default: their times are not trusted.
 * [real-time]
 */
coeval_status coeval_shoot_set_trusted_times(coeval_shoot *shoot,
                                             double off_s,
                                             coeval_error *error);

/**
 * Limit of the slow second search, hours of sound, 0 to 1000000; both files of a pair count. It is for files that the
 * first look does not place. Default 12. The most promising pairs come first.
 * [real-time]
 */
coeval_status coeval_shoot_set_in_depth_h(coeval_shoot *shoot,
                                          double in_depth_h,
                                          coeval_error *error);

/**
 * A moment that the user knows to match: `a_at` in file `a` is the same instant as `b_at` in file `b`. Files are named as
 * in the result, or by a pattern that fits only one file. A moment is text: seconds from the file's start ("200.5"), a
 * clock time from its start ("00:03:20.5") or a timecode ("01:03:20:12"). `hard` 1: it is used even if the sound
 * contradicts it. `hard` 0: if they disagree, the sound decides. Either way the result reports the measured
 * disagreement. `uncertainty_s`: one standard deviation of the reading, seconds; 0: 0.1 s, or one frame if the moments
 * are timecodes. May be called several times.
 * [allocates]
 */
coeval_status coeval_shoot_add_anchor(coeval_shoot *shoot,
                                      const char *a,
                                      const char *a_at,
                                      const char *b,
                                      const char *b_at,
                                      int32_t hard,
                                      double uncertainty_s,
                                      coeval_error *error);

/**
 * Aligns all recordings and writes the result to `*out`. A file that cannot be read or placed is not a failure: the
 * result says why. `progress` may be NULL; `user` is handed to it.
 * [long]
 */
coeval_status coeval_shoot_align(const coeval_shoot *shoot,
                                 coeval_progress_fn progress,
                                 void *user,
                                 coeval_alignment **out,
                                 coeval_error *error);

/**
 * Reads a result again from the JSON text that `coeval_alignment_to_json` or the command line wrote, to `*out`.
 * [allocates]
 */
coeval_status coeval_alignment_from_json(const char *json,
                                         coeval_alignment **out,
                                         coeval_error *error);

/**
 * Number of events; 1 if all files are of one event. Each event has its own timeline, so do not compare times of two
 * events. 0 if `alignment` is invalid.
 * [real-time]
 */
size_t coeval_alignment_event_count(const coeval_alignment *alignment);

/**
 * Takes event `number` (from 1) out as an alignment of its own, in which files of other events do not appear, to `*out`.
 * Unplaced files go with the first.
 * [allocates]
 */
coeval_status coeval_alignment_event(const coeval_alignment *alignment,
                                     size_t number,
                                     coeval_alignment **out,
                                     coeval_error *error);

/**
 * Frees the alignment and sets `*alignment` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_alignment_free(coeval_alignment **alignment);

/**
 * The result contract as JSON text. Valid until the alignment is freed; NULL if `alignment` is invalid.
 * [real-time]
 */
const char *coeval_alignment_to_json(const coeval_alignment *alignment);

/**
 * Id of the recording whose clock is the reference clock. Valid until the alignment is freed; NULL if `alignment`
 * is invalid.
 * [real-time]
 */
const char *coeval_alignment_clock(const coeval_alignment *alignment);

/**
 * Where the last placed file ends on the timeline, seconds; of several events the first. NaN if `alignment` is invalid.
 * [real-time]
 */
double coeval_alignment_duration_s(const coeval_alignment *alignment);

/**
 * Number of recordings. 0 if `alignment` is invalid.
 * [real-time]
 */
size_t coeval_alignment_recording_count(const coeval_alignment *alignment);

/**
 * Id of a recording, or NULL when there is no such recording. Valid until the alignment is freed.
 * [real-time]
 */
const char *coeval_alignment_recording_id(const coeval_alignment *alignment, size_t recording);

/**
 * Kind of a recording, a `coeval_kind`; -1 when there is no such recording.
 * [real-time]
 */
int32_t coeval_alignment_recording_kind(const coeval_alignment *alignment, size_t recording);

/**
 * Number of files of all recordings. 0 if `alignment` is invalid.
 * [real-time]
 */
size_t coeval_alignment_file_count(const coeval_alignment *alignment);

/**
 * Name of a file, relative to the folder that was given; NULL when there is no such file. Valid until the alignment
 * is freed.
 * [real-time]
 */
const char *coeval_alignment_file_path(const coeval_alignment *alignment,
                                       size_t file);

/**
 * Why a file is unplaced, in words; NULL when it is placed or there is no such file. Valid until the alignment is
 * freed.
 * [real-time]
 */
const char *coeval_alignment_file_reason(const coeval_alignment *alignment,
                                         size_t file);

/**
 * The path of the file that this one is a copy of: the same bytes, a proxy, a transcode, a safety track. NULL when it is
 * not a copy, or there is no such file. A copy is unplaced: use the place of its original. Valid until the alignment is freed.
 * [real-time]
 */
const char *coeval_alignment_file_copy_of(const coeval_alignment *alignment,
                                          size_t file);

/**
 * The path of the file that the recorder wrote at the same time, sample for sample: this one holds further tracks of it and
 * lies where that one lies. NULL when there is none, or no such file. Valid until the alignment is freed.
 * [real-time]
 */
const char *coeval_alignment_file_track_of(const coeval_alignment *alignment,
                                           size_t file);

/**
 * The path of the clip that this sound was recorded beside, in a file that is called like it. NULL when there is none, or
 * no such file. Valid until the alignment is freed.
 * [real-time]
 */
const char *coeval_alignment_file_better_sound_of(const coeval_alignment *alignment,
                                                  size_t file);

/**
 * Copies the first `capacity` channels of a file that have something to hear, counted from 0, to `out` and returns how many
 * there are: without those that carry timecode, and those on which nothing happens. 0 when `alignment` is none.
 * [allocates]
 */
size_t coeval_alignment_file_channels(const coeval_alignment *alignment,
                                      size_t file,
                                      size_t *out,
                                      size_t capacity);

/**
 * What the recorder calls a channel of a file, counted from 0; empty when it has no name. NULL when its file names no such
 * channel. Valid until the alignment is freed.
 * [real-time]
 */
const char *coeval_alignment_file_track_name(const coeval_alignment *alignment,
                                             size_t file,
                                             size_t channel);

/**
 * Fills `*info` with the figures of a file.
 * [real-time]
 */
coeval_status coeval_alignment_get_file(const coeval_alignment *alignment,
                                        size_t file,
                                        coeval_file *info,
                                        coeval_error *error);

/**
 * Copies the first `capacity` knots of a file to `out` and returns how many there are; 0 if it is unplaced or `alignment` is
 * invalid.
 * [real-time]
 */
size_t coeval_alignment_file_knots(const coeval_alignment *alignment,
                                   size_t file,
                                   coeval_knot *out,
                                   size_t capacity);

/**
 * Copies the first `capacity` jumps of a file to `out` and returns how many there are. 0 if `alignment` is invalid.
 * [real-time]
 */
size_t coeval_alignment_file_jumps(const coeval_alignment *alignment,
                                   size_t file,
                                   coeval_jump *out,
                                   size_t capacity);

/**
 * Writes a file's map to the timeline to `*out`, a handle of its own. Fails when the file is unplaced.
 * [allocates]
 */
coeval_status coeval_alignment_file_clock_map(const coeval_alignment *alignment,
                                              size_t file,
                                              coeval_clock_map **out,
                                              coeval_error *error);

/**
 * Number of pairs of recordings that share sound. 0 if `alignment` is invalid.
 * [real-time]
 */
size_t coeval_alignment_pair_count(const coeval_alignment *alignment);

/**
 * Fills `*info` with what the pair of this number shares.
 * [real-time]
 */
coeval_status coeval_alignment_get_pair(const coeval_alignment *alignment,
                                        size_t pair,
                                        coeval_recording_pair *info,
                                        coeval_error *error);

/**
 * Number of anchors. 0 if `alignment` is invalid.
 * [real-time]
 */
size_t coeval_alignment_anchor_count(const coeval_alignment *alignment);

/**
 * An anchor, checked against the sound, in the order in which they were added.
 * [real-time]
 */
coeval_status coeval_alignment_get_anchor(const coeval_alignment *alignment,
                                          size_t index,
                                          coeval_anchor_check *out,
                                          coeval_error *error);

/* ---- When someone speaks --------------------------------------------------------------------- */

/**
 * When someone speaks in a shoot, from the recorder's sound. Never changes: any number of threads may use one.
 */
typedef struct coeval_voices coeval_voices;

/**
 * Finds when someone speaks, and writes it to `*out`. The recorder's sound is read once, and each camera's once.
 * `folder` is the one that the alignment's file names are relative to. `allow_ffmpeg`: as for
 * `coeval_shoot_set_allow_ffmpeg`. `progress` may be NULL; `user` is handed to it.
 * [long]
 */
coeval_status coeval_alignment_hear(const coeval_alignment *alignment,
                                    const char *folder,
                                    int32_t allow_ffmpeg,
                                    coeval_progress_fn progress,
                                    void *user,
                                    coeval_voices **out,
                                    coeval_error *error);

/**
 * Reads again, to `*out`, what `coeval_voices_to_json` wrote. It must be of this alignment.
 * [allocates]
 */
coeval_status coeval_voices_from_json(const char *json,
                                      const coeval_alignment *alignment,
                                      coeval_voices **out,
                                      coeval_error *error);

/**
 * Frees the voices and sets `*voices` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_voices_free(coeval_voices **voices);

/**
 * The voices as JSON text. Valid until they are freed; NULL if `voices` is invalid.
 * [real-time]
 */
const char *coeval_voices_to_json(const coeval_voices *voices);

/**
 * Id of the recording that was heard. Valid until the voices are freed; NULL if `voices` is invalid.
 * [real-time]
 */
const char *coeval_voices_recorder(const coeval_voices *voices);

/**
 * Number of stretches in which somebody speaks. 0 if `voices` is invalid.
 * [real-time]
 */
size_t coeval_voices_count(const coeval_voices *voices);

/**
 * Fills `*voice` with the stretch of this number, in time order from 0.
 * [real-time]
 */
coeval_status coeval_voices_get(const coeval_voices *voices,
                                size_t index,
                                coeval_voice *voice,
                                coeval_error *error);

/**
 * Id of a camera that ran during a voice, or NULL when there is no camera of this number. `*shared` (may be NULL) is set
 * to how surely it hears the voice, in standard deviations. Valid until the voices are freed.
 * [real-time]
 */
const char *coeval_voices_camera(const coeval_voices *voices,
                                 size_t index,
                                 size_t camera,
                                 double *shared);

/* ---- Rough cuts ------------------------------------------------------------------------------ */

/**
 * Whether a stretch is shown, sped up or dropped. Numbers never change; later versions may add some.
 */
enum coeval_fate
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
    /**
     * It is shown.
     */
    COEVAL_SHOW = 1,
    /**
     * It is shown faster, without its sound.
     */
    COEVAL_PASS = 2,
    /**
     * It is dropped.
     */
    COEVAL_DROP = 3,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum coeval_fate coeval_fate;
#else
typedef int32_t coeval_fate;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

/**
 * Levels of a rough cut's sound, and its voice-overs. One thread at a time.
 */
typedef struct coeval_mix_options coeval_mix_options;

/**
 * A plan of a rough cut: stretches end to end, each shown, sped up or dropped. Never changes: any number of threads
 * may use one.
 */
typedef struct coeval_plan coeval_plan;

/**
 * Options of a rough cut, and what to keep besides speech. One thread at a time.
 */
typedef struct coeval_tighten_options coeval_tighten_options;

/**
 * Levels of a rough cut's sound. Set `struct_size` to `sizeof(coeval_rendered)` before the call.
 */
typedef struct {
    /**
     * Size of this struct as the caller knows it; after the call, how much of it was filled.
     */
    size_t struct_size;
    /**
     * Gain before the limiter, dB.
     */
    double gain_db;
    /**
     * Integrated loudness, LUFS; NaN for silence.
     */
    double loudness_lufs;
    /**
     * Highest true peak, dBTP.
     */
    double true_peak_dbtp;
    /**
     * Length, seconds.
     */
    double duration_s;
} coeval_rendered;

/**
 * A stretch of the timeline, and whether it is shown, sped up or dropped. Set `struct_size` to
 * `sizeof(coeval_plan_entry)` before the call.
 */
typedef struct {
    /**
     * Size of this struct as the caller knows it; after the call, how much of it was filled.
     */
    size_t struct_size;
    /**
     * First timeline frame.
     */
    int64_t from_frame;
    /**
     * The frame after the last.
     */
    int64_t to_frame;
    /**
     * Frames that it takes in the result.
     */
    int64_t shown_frames;
    /**
     * Frames of the dissolve from the previous shown stretch into this one; 0: a cut.
     */
    int64_t dissolve_frames;
    /**
     * What becomes of it, a `coeval_fate`.
     */
    int32_t fate;
    /**
     * How many times faster it is shown; 1 for normal speed, 0 when it is dropped.
     */
    uint32_t speed;
    /**
     * Id of the camera shown; NULL if no camera ran, or nothing is shown. Valid until the plan is freed.
     */
    const char *camera;
    /**
     * Why, in words. Valid until the plan is freed.
     */
    const char *reason;
} coeval_plan_entry;

/**
 * Options with their defaults. What is set is checked by `coeval_plan_render`.
 * [allocates]
 */
coeval_mix_options *coeval_mix_options_new(void);

/**
 * Frees the options and sets `*options` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_mix_options_free(coeval_mix_options **options);

/**
 * Loudness of the result, LUFS, -40 to -5, default -14; and the limit of its true peaks, dBTP, -20 to 0, default -1.
 * [real-time]
 */
coeval_status coeval_mix_options_set_loudness(coeval_mix_options *options,
                                              double loudness_lufs,
                                              double true_peak_dbtp,
                                              coeval_error *error);

/**
 * Level of the sound of the camera shown, where nobody speaks, relative to the recording, dB, -120 to 24, default -12; and
 * how much that sound is lowered under a voice, dB, -120 to 0, default -12.
 * [real-time]
 */
coeval_status coeval_mix_options_set_camera(coeval_mix_options *options,
                                            double camera_db,
                                            double duck_db,
                                            coeval_error *error);

/**
 * Adds a file of mono or stereo sound as a voice-over that starts `at_s` seconds into the cut. It gets the loudness of the
 * result, and other sound is lowered under it. May be called several times.
 * [allocates]
 */
coeval_status coeval_mix_options_add_voice_over(coeval_mix_options *options,
                                                const char *file,
                                                double at_s,
                                                coeval_error *error);

/**
 * 0, the default: recorder, camera shown, and voice-overs. 1: the recorder alone.
 * [real-time]
 */
coeval_status coeval_mix_options_set_voice_only(coeval_mix_options *options,
                                                int32_t voice_only,
                                                coeval_error *error);

/**
 * 0, the default: a file that is there already is left alone, and the call fails. 1: it is replaced.
 * [real-time]
 */
coeval_status coeval_mix_options_set_replace(coeval_mix_options *options,
                                             int32_t replace,
                                             coeval_error *error);

/**
 * As for `coeval_shoot_set_allow_ffmpeg`.
 * [real-time]
 */
coeval_status coeval_mix_options_set_allow_ffmpeg(coeval_mix_options *options,
                                                  int32_t allow,
                                                  coeval_error *error);

/**
 * Writes the sound of a rough cut to `file`, as WAV: stereo, 48 kHz, 24 bits, as long as the cut, silent where time
 * is sped up. It appears whole or not at all. `voices` are those of the alignment. `folder` is the one that the
 * alignment's file names are relative to. `options` may be NULL for the defaults. `rendered` and `progress` may be NULL;
 * `user` is handed to `progress`.
 * [long]
 */
coeval_status coeval_plan_render(const coeval_plan *plan,
                                 const coeval_alignment *alignment,
                                 const coeval_voices *voices,
                                 const char *folder,
                                 const coeval_mix_options *options,
                                 const char *file,
                                 coeval_progress_fn progress,
                                 void *user,
                                 coeval_rendered *rendered,
                                 coeval_error *error);

/**
 * Options with their defaults. What is set is checked by `coeval_tighten`.
 * [allocates]
 */
coeval_tighten_options *coeval_tighten_options_new(void);

/**
 * Frees the options and sets `*options` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_tighten_options_free(coeval_tighten_options **options);

/**
 * Pause left between two sentences where time is removed, seconds, 0.2 to 30. Default 0.8.
 * [real-time]
 */
coeval_status coeval_tighten_options_set_pause_s(coeval_tighten_options *options,
                                                 double pause_s,
                                                 coeval_error *error);

/**
 * Minimum time between a cut and speech, seconds, 0.08 to 5. Default 0.2.
 * [real-time]
 */
coeval_status coeval_tighten_options_set_handle_s(coeval_tighten_options *options,
                                                  double handle_s,
                                                  coeval_error *error);

/**
 * Minimum length of dead air (a part without speech, clap or other loud moment), seconds, 0.2 to 600. Default 2.
 * [real-time]
 */
coeval_status coeval_tighten_options_set_dead_s(coeval_tighten_options *options,
                                                double dead_s,
                                                coeval_error *error);

/**
 * Minimum length of a shot, seconds, 0 to 60. A shot may be shorter where the camera or the kept stretch ends.
 * Default 2.5.
 * [real-time]
 */
coeval_status coeval_tighten_options_set_min_shot_s(coeval_tighten_options *options,
                                                    double min_shot_s,
                                                    coeval_error *error);

/**
 * Length of the dissolve that hides a jump cut within one camera, seconds, 0 to 5. Default 0.5.
 * [real-time]
 */
coeval_status coeval_tighten_options_set_dissolve_s(coeval_tighten_options *options,
                                                    double dissolve_s,
                                                    coeval_error *error);

/**
 * Target length of the result, seconds, 1 or more; 0, the default: all speech is kept.
 * [real-time]
 */
coeval_status coeval_tighten_options_set_target_s(coeval_tighten_options *options,
                                                  double target_s,
                                                  coeval_error *error);

/**
 * Dead air of at least `from_s` seconds (0.2 or more) is shown `speed` times faster (2 to 100) instead of dropped. If
 * `from_s` is 0, the default, it is dropped, and `speed` is not used.
 * [real-time]
 */
coeval_status coeval_tighten_options_set_pass(coeval_tighten_options *options,
                                              double from_s,
                                              uint32_t speed,
                                              coeval_error *error);

/**
 * 1, the default: radio calls are kept. 0: they are dropped.
 * [real-time]
 */
coeval_status coeval_tighten_options_set_keep_radio(coeval_tighten_options *options,
                                                    int32_t keep,
                                                    coeval_error *error);

/**
 * Always keeps this stretch of the timeline, seconds. May be called several times.
 * [allocates]
 */
coeval_status coeval_tighten_options_add_protected(coeval_tighten_options *options,
                                                   double from_s,
                                                   double to_s,
                                                   coeval_error *error);

/**
 * Keeps something that happens although nobody speaks: its start and end on the timeline, seconds (equal for a moment),
 * and what it is, in words. May be called several times.
 * [allocates]
 */
coeval_status coeval_tighten_options_add_event(coeval_tighten_options *options,
                                               double start_s,
                                               double end_s,
                                               const char *what,
                                               coeval_error *error);

/**
 * 1, the default: claps, loud moments and revving engines are kept. 0: they are not.
 * [real-time]
 */
coeval_status coeval_tighten_options_set_keep_events(coeval_tighten_options *options,
                                                     int32_t keep,
                                                     coeval_error *error);

/**
 * Shows the camera of this id while someone speaks in this stretch of the timeline, seconds, where that camera runs. May be
 * called several times.
 * [allocates]
 */
coeval_status coeval_tighten_options_add_seen(coeval_tighten_options *options,
                                              double from_s,
                                              double to_s,
                                              const char *camera,
                                              coeval_error *error);

/**
 * How much the picture of a file moves: `count` moments in file time, seconds, ascending, and the motion at each, in
 * any unit, 0 for no motion. Stretches with unusual motion are kept. May be called several times.
 * [allocates]
 */
coeval_status coeval_tighten_options_add_motion(coeval_tighten_options *options,
                                                const char *file,
                                                const double *times_s,
                                                const float *motion,
                                                size_t count,
                                                coeval_error *error);

/**
 * Plans a rough cut of an alignment and writes it to `*out`. `voices` are those of the same alignment. `options` may
 * be NULL for the defaults.
 * [long]
 */
coeval_status coeval_tighten(const coeval_alignment *alignment,
                             const coeval_voices *voices,
                             const coeval_tighten_options *options,
                             coeval_plan **out,
                             coeval_error *error);

/**
 * The plan as JSON text. Valid until the plan is freed; NULL if `plan` is invalid.
 * [real-time]
 */
const char *coeval_plan_to_json(const coeval_plan *plan);

/**
 * Reads again, to `*out`, what `coeval_plan_to_json` or the command (`plan.json`) wrote.
 * [allocates]
 */
coeval_status coeval_plan_from_json(const char *json, coeval_plan **out, coeval_error *error);

/**
 * Frees the plan and sets `*plan` to NULL; NULL is allowed.
 * [allocates]
 */
void coeval_plan_free(coeval_plan **plan);

/**
 * Frame rate (fps) of the timeline, as a ratio.
 * [real-time]
 */
coeval_status coeval_plan_frame_rate(const coeval_plan *plan,
                                     uint32_t *numerator,
                                     uint32_t *denominator,
                                     coeval_error *error);

/**
 * Length of the result, seconds; NaN if `plan` is invalid.
 * [real-time]
 */
double coeval_plan_shown_s(const coeval_plan *plan);

/**
 * Number of stretches. 0 if `plan` is invalid.
 * [real-time]
 */
size_t coeval_plan_entry_count(const coeval_plan *plan);

/**
 * Fills `*entry` with the stretch of this number, in time order from 0.
 * [real-time]
 */
coeval_status coeval_plan_get_entry(const coeval_plan *plan,
                                    size_t index,
                                    coeval_plan_entry *entry,
                                    coeval_error *error);

/**
 * A note for people, for example that the target length could not be met; NULL when there is no note of this number. Valid
 * until the plan is freed.
 * [real-time]
 */
const char *coeval_plan_note(const coeval_plan *plan,
                             size_t index);

#ifdef __cplusplus
}  // extern "C"
#endif  // __cplusplus

#endif  /* COEVAL_H */

/* What the tests in C share: a check that counts, and sound that is the same to the last bit in every
 * language: made of whole numbers, or read from a file. */
#ifndef COEVAL_TEST_H
#define COEVAL_TEST_H

#include <stdatomic.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <coeval.h>

/* Several threads may check at once. */
static atomic_int checks_done;

#define CHECK(what)                                                                    \
    do {                                                                               \
        checks_done++;                                                                 \
        if (!(what)) {                                                                 \
            fprintf(stderr, "%s:%d: failed: %s\n", __FILE__, __LINE__, #what);         \
            exit(1);                                                                   \
        }                                                                              \
    } while (0)

#define CHECK_OK(call, error)                                                          \
    do {                                                                               \
        checks_done++;                                                                 \
        if ((call) != COEVAL_OK) {                                                     \
            fprintf(stderr, "%s:%d: %s: %s\n", __FILE__, __LINE__, #call,              \
                    coeval_error_text(error));                                         \
            exit(1);                                                                   \
        }                                                                              \
    } while (0)

/* Marsaglia's xorshift with shifts 13, 17, 5 (Journal of Statistical Software 8(14), 2003). */
static inline float noise(uint32_t *state) {
    *state ^= *state << 13;
    *state ^= *state >> 17;
    *state ^= *state << 5;
    return (float)((int32_t)*state >> 16) / 65536.0f;
}

/* Sample `n` of the sound that two devices share: noise in bursts of 0.3 s, one in three. */
static inline float shared_sound(uint32_t *state, size_t n) {
    float x = noise(state);
    return (n / 14400) % 3 == 0 ? x : x / 64.0f;
}

#define VOICE_FRAMES 24000

/* The voice of `tests/fixtures/voice.wav`: 1.5 s at 16 kHz, two bytes a sample behind a header of 44. */
static inline void read_voice(int16_t voice[VOICE_FRAMES]) {
    unsigned char bytes[44 + 2 * VOICE_FRAMES];
    char path[4096];
    FILE *file;
    size_t i;
    snprintf(path, sizeof path, "%s", __FILE__);
    CHECK(strlen(path) > 6 && strlen(path) < 4000 && strcmp(path + strlen(path) - 6, "test.h") == 0);
    strcpy(path + strlen(path) - 6, "../../../tests/fixtures/voice.wav");
    file = fopen(path, "rb");
    CHECK(file != NULL);
    CHECK(fread(bytes, 1, sizeof bytes, file) == sizeof bytes);
    fclose(file);
    for (i = 0; i < VOICE_FRAMES; i++)
        voice[i] = (int16_t)(uint16_t)(bytes[44 + 2 * i] | (unsigned)bytes[45 + 2 * i] << 8);
}

/* Sample `n`, at 48 kHz, of that voice over noise: 1.5 s of it in 4.5 s. */
static inline float spoken_sound(const int16_t voice[VOICE_FRAMES], uint32_t *state, size_t n) {
    float x = noise(state) / 64.0f;
    return (n / 72000) % 3 == 1 ? x + (float)voice[n % 72000 / 3] / 131072.0f : x;
}

/* The speech curve of `frames` frames of it, pushed in two channels that are alike. */
static inline coeval_speech_curve *hear_speech(size_t frames) {
    coeval_speech_builder *builder = NULL;
    coeval_speech_curve *curve = NULL;
    coeval_error *error = coeval_error_new();
    uint32_t state = 88172645u;
    int16_t voice[VOICE_FRAMES];
    float block[1000];
    const float *planes[2];
    size_t i, done = 0;
    planes[0] = planes[1] = block;
    read_voice(voice);
    CHECK_OK(coeval_speech_builder_new(48000.0, 2, &builder, error), error);
    while (done < frames) {
        size_t n = frames - done < 1000 ? frames - done : 1000;
        for (i = 0; i < n; i++) block[i] = spoken_sound(voice, &state, done + i);
        CHECK_OK(coeval_speech_builder_push_planar(builder, planes, n, error), error);
        done += n;
    }
    CHECK_OK(coeval_speech_builder_finish(&builder, &curve, error), error);
    CHECK(builder == NULL && curve != NULL);
    coeval_error_free(&error);
    return curve;
}

/* A track of `frames` frames at `rate_hz` from frame `skip` of the shared sound on, with noise of
 * its own from `seed`. */
static inline coeval_track *make_track(double rate_hz, size_t skip, size_t frames, uint32_t seed) {
    coeval_track_builder *builder = NULL;
    coeval_track *track = NULL;
    coeval_error *error = coeval_error_new();
    uint32_t common = 2463534242u, own = seed;
    float block[1000];
    size_t i, done = 0;
    for (i = 0; i < skip; i++) shared_sound(&common, i);
    CHECK_OK(coeval_track_builder_new(rate_hz, 1, &builder, error), error);
    while (done < frames) {
        size_t n = frames - done < 1000 ? frames - done : 1000;
        for (i = 0; i < n; i++) block[i] = (shared_sound(&common, skip + done + i) + noise(&own) / 4.0f) / 2.0f;
        CHECK_OK(coeval_track_builder_push_interleaved(builder, block, n, error), error);
        done += n;
    }
    CHECK_OK(coeval_track_builder_finish(&builder, &track, error), error);
    CHECK(builder == NULL && track != NULL);
    coeval_error_free(&error);
    return track;
}

static inline void write_number(FILE *file, unsigned long value, int bytes) {
    while (bytes-- > 0) {
        fputc((int)(value & 255), file);
        value >>= 8;
    }
}

/* A WAV of 16 bits at 48 kHz whose samples are to follow. */
static inline FILE *begin_wav(const char *name, unsigned channels, size_t frames) {
    FILE *file = fopen(name, "wb");
    unsigned long bytes = (unsigned long)frames * channels * 2;
    CHECK(file != NULL);
    fwrite("RIFF", 1, 4, file);
    write_number(file, 36 + bytes, 4);
    fwrite("WAVEfmt ", 1, 8, file);
    write_number(file, 16, 4);
    write_number(file, 1, 2);
    write_number(file, channels, 2);
    write_number(file, 48000, 4);
    write_number(file, 48000ul * channels * 2, 4);
    write_number(file, channels * 2, 2);
    write_number(file, 16, 2);
    fwrite("data", 1, 4, file);
    write_number(file, bytes, 4);
    return file;
}

static inline void write_sample(FILE *file, float sample) {
    write_number(file, (unsigned long)(long)(sample * 32000.0f) & 65535u, 2);
}

/* Says how many checks passed, in the form that the project's test runner adds up. */
static inline int finished(const char *name) {
    printf("%s: %d checks\n", name, checks_done);
    return checks_done > 0 ? 0 : 1;
}

#endif

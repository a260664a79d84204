/* Reads and makes timecode by libltc, for tests/ltc.rs.
 *
 * read SAMPLES_A_FRAME: float samples on standard input; of each frame a line with hours, minutes, seconds, frame,
 * drop-frame, user bits, and the sample at which it begins.
 * make RATE DROP H M S F COUNT: float samples of COUNT frames at 48 kHz to standard output. */
#include <ltc.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int read_frames(int samples_a_frame) {
    LTCDecoder *decoder = ltc_decoder_create(samples_a_frame, 512);
    float block[1024];
    ltc_off_t at = 0;
    size_t got;
    LTCFrameExt frame;
    while ((got = fread(block, sizeof *block, 1024, stdin)) > 0) {
        ltc_decoder_write_float(decoder, block, got, at);
        at += (ltc_off_t)got;
        while (ltc_decoder_read(decoder, &frame)) {
            SMPTETimecode t;
            ltc_frame_to_time(&t, &frame.ltc, 0);
            printf("%d %d %d %d %d %lu %lld\n", t.hours, t.mins, t.secs, t.frame, frame.ltc.dfbit,
                   ltc_frame_get_user_bits(&frame.ltc), (long long)frame.off_start);
        }
    }
    ltc_decoder_free(decoder);
    return 0;
}

static int make_frames(char **arg) {
    double rate = atof(arg[0]);
    enum LTC_TV_STANDARD standard = rate == 25 ? LTC_TV_625_50 : rate == 24 ? LTC_TV_FILM_24 : LTC_TV_525_60;
    LTCEncoder *encoder = ltc_encoder_create(48000, rate, standard, 0);
    SMPTETimecode t;
    LTCFrame frame;
    memset(&t, 0, sizeof t);
    t.hours = (unsigned char)atoi(arg[2]);
    t.mins = (unsigned char)atoi(arg[3]);
    t.secs = (unsigned char)atoi(arg[4]);
    t.frame = (unsigned char)atoi(arg[5]);
    ltc_encoder_set_timecode(encoder, &t);
    ltc_encoder_set_user_bits(encoder, 0x0BADCAFE);
    ltc_encoder_get_frame(encoder, &frame);
    frame.dfbit = atoi(arg[1]);
    ltc_frame_set_parity(&frame, standard);
    ltc_encoder_set_frame(encoder, &frame);
    for (int count = atoi(arg[6]); count > 0; count--) {
        ltcsnd_sample_t *bytes;
        ltc_encoder_encode_frame(encoder);
        int length = ltc_encoder_get_bufferptr(encoder, &bytes, 1);
        for (int i = 0; i < length; i++) {
            float sample = ((float)bytes[i] - 128.0f) / 128.0f;
            fwrite(&sample, sizeof sample, 1, stdout);
        }
        ltc_encoder_inc_timecode(encoder);
    }
    ltc_encoder_free(encoder);
    return 0;
}

int main(int count, char **arg) {
    if (count == 3 && strcmp(arg[1], "read") == 0)
        return read_frames((int)(atof(arg[2]) + 0.5));
    if (count == 9 && strcmp(arg[1], "make") == 0)
        return make_frames(arg + 2);
    return 1;
}

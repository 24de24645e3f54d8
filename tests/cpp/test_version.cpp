#include <gtest/gtest.h>

#include <lobetime/version.hpp>
#include <string>

namespace {

TEST(Version, LibraryAndHeadersAgree) { EXPECT_STREQ(lobetime::version(), LOBETIME_VERSION); }

TEST(Version, TextIsMadeOfTheThreeNumbers) {
    const std::string numbers = std::to_string(LOBETIME_VERSION_MAJOR) + "." + std::to_string(LOBETIME_VERSION_MINOR) +
                                "." + std::to_string(LOBETIME_VERSION_PATCH);
    EXPECT_EQ(numbers, lobetime::version());
}

}  // namespace
